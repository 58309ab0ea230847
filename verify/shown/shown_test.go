package shown

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"
	"unicode/utf8"
)

func TestText(t *testing.T) {
	for in, want := range map[string]string{
		"":                               "",
		`a b/ä 終\u0041`:                  `a b/ä 終\u0041`,
		"a\x1b[31m\r\n\t\x00":            `a\u001b[31m\u000d\u000a\u0009\u0000`,
		"\x7f\u0085\u009b":               `\u007f\u0085\u009b`,
		"\u202agpj\u202e\u2066\u2069":    `\u202agpj\u202e\u2066\u2069`,
		"\u200e\u200f\u061c\u200b\ufeff": `\u200e\u200f\u061c\u200b\ufeff`,
		"\u2028\u2029":                   `\u2028\u2029`,
		"\U000e0041\U0001ffff":           `\U000e0041\U0001ffff`,
		"\ufdd0\ufdef\ufdf0":             `\ufdd0\ufdef` + "\ufdf0",
		"a\xff\xc3":                      `a\xff\xc3`,
		"\ufffd":                         "\ufffd",
		strings.Repeat("\u2066", 10000):  strings.Repeat(`\u2066`, 10000),
	} {
		if got := Text(in); got != want {
			t.Errorf("Text(%q) = %q, want %q", in, got, want)
		}
	}
	if got, want := Lines("one\r\ntwo\x1b\nthree\r\n"), "one\ntwo\\u001b\nthree\n"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	var b strings.Builder
	if n, err := Writer(&b).Write([]byte("a\t\x1b\u202e\n")); n != 7 || err != nil || b.String() != "a\t\\u001b\\u202e\n" {
		t.Errorf("%d, %v, %q", n, err, &b)
	}
}

type stringer string

func (s stringer) String() string { return string(s) }

func TestSprintf(t *testing.T) {
	type word string
	for _, c := range []struct {
		want   string
		format string
		a      []any
	}{
		{"a\n\x1b: b\\u000a", "a\n\x1b: %s", []any{"b\n"}},
		{`  \u001b|\u001b  `, "%8s|%-8s", []any{"\x1b", "\x1b"}},
		{`  \u001b`, "%8v", []any{stringer("\x1b")}},
		{`read x\u202e: no`, "%v", []any{fmt.Errorf("read %s: %w", "x\u202e", errors.New("no"))}},
		{`[a\u2067 b]`, "%v", []any{[]string{"a\u2067", "b"}}},
		{`\u009b`, "%s", []any{word("\u009b")}},
		{"\x1b[1mx\x1b[0m", "%s", []any{Safe("\x1b[1mx\x1b[0m")}},
		{`7 0x07 3.5 true "\u202e" 'x'`, "%d 0x%02x %.1f %t %q %q", []any{7, uint8(7), 3.5, true, "\u202e", 'x'}},
		{"%!s(<nil>)", "%s", []any{nil}},
	} {
		if got := Sprintf(c.format, c.a...); got != c.want {
			t.Errorf("%q: %q, want %q", c.format, got, c.want)
		}
	}
}

func FuzzText(f *testing.F) {
	f.Add("a\u202eb\x1b\xff\U000e0001")
	f.Fuzz(func(t *testing.T, s string) {
		got := Text(s)
		if !utf8.ValidString(got) || Text(got) != got {
			t.Errorf("%q from %q", got, s)
		}
		for _, r := range got {
			if acts(r, utf8.RuneLen(r)) {
				t.Errorf("%q from %q", got, s)
			}
		}
		exact, err := json.Marshal(map[string]string{"a": s})
		if err != nil {
			t.Fatal(err)
		}
		safe := JSON(exact)
		if string(safe) != Text(string(safe)) {
			t.Errorf("%q from %q", safe, s)
		}
		var a, b map[string]string
		if json.Unmarshal(exact, &a) != nil || json.Unmarshal(safe, &b) != nil || a["a"] != b["a"] {
			t.Errorf("%q means %q, not %q", safe, b, a)
		}
	})
}

package result

import (
	"bytes"
	"encoding/json"
	"testing"
	"unicode/utf8"
)

func encoded(t testing.TB, v any) []byte {
	t.Helper()
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

var hostileStrings = []string{
	"", "plain", `quote " and \ and /`, "\x00\x01\x1f\x7f", "tab\tline\nreturn\r", "\b\f", "<b>&amp;'</b>", "κατάλογος ειδών", "𝔾 \u2028 \u2029 \ufeff",
	"bad \xff\xfe utf-8 \xc3", "\xed\xa0\x80 surrogate", "\u202egnp.exe", "\ufffd", "a\xe2\x80", string(rune(0x10ffff)),
}

func FuzzAppendString(f *testing.F) {
	for _, s := range hostileStrings {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got := appendString(nil, s)
		var back string
		if err := json.Unmarshal(got, &back); err != nil {
			t.Fatalf("%q: %s: %v", s, got, err)
		}
		if utf8.ValidString(s) && back != s {
			t.Fatalf("%q comes back as %q", s, back)
		}
		if want := bytes.TrimSuffix(encoded(t, s), []byte("\n")); !bytes.Equal(got, want) {
			t.Fatalf("%q: %s, encoding/json has %s", s, got, want)
		}
	})
}

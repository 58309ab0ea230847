package hfsplus

import (
	"testing"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

func TestShownName(t *testing.T) {
	for _, c := range []struct {
		stored, shown string
		exact         bool // carried by the shown form alone
	}{
		{"plain.txt", "plain.txt", true},
		{"a/b", "a:b", false},
		{"a:b", `a\x3ab`, false},
		{"re\u0301colte", "récolte", false},
		{"U\u0308bersicht", "Übersicht", false},
		{"\u304B\u3099", "が", false},
		{"\u1112\u1161\u11AB", "한", false},
		{"..", `\x2e\x2e`, false},
		{".", `\x2e`, false},
		{"?", `\x3f`, false},
		{"a\x00b", `a\x00b`, false},
		{"...", "...", true},
		{"\u2126", "\u2126", true},              // stored as it is, and not shown as the letter Omega
		{"\u03A9", "\u03A9", true},              // which is another name
		{"=\u0338", "=\u0338", true},            // U+2260 is stored as it is
		{"\u2260", "\u2260", true},              //
		{"\uF900", "\uF900", true},              // not shown as U+8C48
		{"\u03B1\u030D", "\u03AC", false},       // tonos as TN1150 has it
		{"\u03B1\u0301", "\u03AC", false},       // and as Unicode has it since
		{"\u03B9\u0308\u030D", "\u0390", false}, //
		{"\u0E19\u0E49\u0E4D\u0E32", "\u0E19\u0E49\u0E33", false},
		{"x\u0301\u0323", "x\u0301\u0323", true}, // not in canonical order: no system stores it
	} {
		shown, exact := shownName(rawName(c.stored))
		if shown != c.shown || (exact == nil) != c.exact {
			t.Errorf("%q: %q, exact %v; want %q, %v", c.stored, shown, exact == nil, c.shown, c.exact)
		}
	}
}

// The decomposition is Unicode's but for the ranges that TN1150, Unicode
// Subtleties, excepts, and for those composing is never done either.
func TestDecompose(t *testing.T) {
	n := 0
	for r := rune(0x80); r <= 0x2FFFF; r++ {
		if !unicode.IsPrint(r) {
			continue
		}
		s := string(r)
		want := norm.NFD.String(s)
		if r >= 0x2000 && r <= 0x2FFF || r >= 0xF900 && r <= 0xFAFF || r >= 0x2F800 && r <= 0x2FAFF {
			want = s
		}
		got := decompose(s)
		if got != want {
			t.Fatalf("U+%04X: %+q, not %+q", r, got, want)
		}
		if got != s {
			n++
			// shown composed, unless another character is (singletons)
			if c := compose(got); c != norm.NFC.String(s) && c != got {
				t.Fatalf("U+%04X: %+q composed is %+q", r, got, c)
			}
		}
	}
	if n < 12000 { // the Hangul syllables alone are 11172
		t.Errorf("%d characters decomposed", n)
	}
}

func FuzzShownName(f *testing.F) {
	for _, s := range []string{"plain", "a/b:c", "re\u0301", "\u03B1\u030D", "..", ""} {
		f.Add(rawName(s))
	}
	f.Add([]byte{0xD8, 0x00, 0x00, 0x41})
	f.Fuzz(func(t *testing.T, raw []byte) {
		if len(raw) > 2*maxNameUnits {
			return
		}
		shown, exact := shownName(raw)
		if shown == "" || shown == "." || shown == ".." || shown == "?" {
			t.Fatalf("%x is shown as %q", raw, shown)
		}
		for _, c := range shown {
			if c == '/' || c == 0 {
				t.Fatalf("%x is shown as %q", raw, shown)
			}
		}
		if exact == nil && string(rawName(shown)) != string(raw[:len(raw)&^1]) {
			t.Fatalf("%x is shown as %q, which is another name", raw, shown)
		}
	})
}

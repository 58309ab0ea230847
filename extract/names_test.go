package extract

import (
	"bytes"
	"encoding/binary"
	"strings"
	"testing"
	"unicode/utf16"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
)

func units(s string) []uint16 { return utf16.Encode([]rune(s)) }

func TestNameFromUTF16(t *testing.T) {
	tests := []struct {
		name  string
		give  []uint16
		shown string
		exact []byte
	}{
		{"plain", units("Bogen 04.tif"), "Bogen 04.tif", nil},
		{"beyond the basic plane", units("a😀é"), "a😀é", nil},
		{"backslash is a letter", units(`\x2f`), `\x2f`, nil},
		{"replacement character as such", []uint16{0xfffd}, "\ufffd", nil},
		{"three dots", units("..."), "...", nil},
		{"empty", nil, `\0`, []byte{}},
		{"dot", units("."), `\x2e`, []byte{'.', 0}},
		{"two dots", units(".."), `\x2e\x2e`, []byte{'.', 0, '.', 0}},
		{"question mark", units("?"), `\x3f`, []byte{'?', 0}},
		{"separator", units("a/b"), `a\x2fb`, []byte{'a', 0, '/', 0, 'b', 0}},
		{"zero", []uint16{'a', 0}, `a\x00`, []byte{'a', 0, 0, 0}},
		{"first half of a pair at the end", []uint16{'a', 0xd83d}, `a\ud83d`, []byte{'a', 0, 0x3d, 0xd8}},
		{"first half of a pair, no second", []uint16{0xd83d, 'a'}, `\ud83da`, []byte{0x3d, 0xd8, 'a', 0}},
		{"halves in the wrong order", []uint16{0xde00, 0xd83d}, `\ude00\ud83d`, []byte{0x00, 0xde, 0x3d, 0xd8}},
		{"two first halves", []uint16{0xd83d, 0xd83d, 0xde00}, `\ud83d😀`, []byte{0x3d, 0xd8, 0x3d, 0xd8, 0x00, 0xde}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			shown, exact := NameFromUTF16(test.give)
			if shown != test.shown {
				t.Errorf("shown %q, want %q", shown, test.shown)
			}
			if diff := cmp.Diff(test.exact, exact); diff != "" {
				t.Errorf("exact (-want +got):\n%s", diff)
			}
		})
	}
}

func TestNameFromBytes(t *testing.T) {
	tests := []struct {
		name, give, shown string
		exact             []byte
	}{
		{"plain", "sheet é 04.tif", "sheet é 04.tif", nil},
		{"backslash is a letter", `\xff`, `\xff`, nil},
		{"replacement character as such", "\ufffd", "\ufffd", nil},
		{"empty", "", `\0`, []byte{}},
		{"dot", ".", `\x2e`, []byte(".")},
		{"two dots", "..", `\x2e\x2e`, []byte("..")},
		{"question mark", "?", `\x3f`, []byte("?")},
		{"separator", "a/b", `a\x2fb`, []byte("a/b")},
		{"zero", "a\x00", `a\x00`, []byte("a\x00")},
		{"no UTF-8", "a\xffb", `a\xffb`, []byte("a\xffb")},
		{"no UTF-8, and a separator", "\xe9/", `\xe9\x2f`, []byte("\xe9/")},
		{"cut off", "\xe2\x82", `\xe2\x82`, []byte("\xe2\x82")},
		{"surrogate in UTF-8", "\xed\xa0\x80", `\xed\xa0\x80`, []byte("\xed\xa0\x80")},
		{"overlong separator", "\xc0\xaf", `\xc0\xaf`, []byte("\xc0\xaf")},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			give := []byte(test.give)
			shown, exact := NameFromBytes(give)
			if shown != test.shown {
				t.Errorf("shown %q, want %q", shown, test.shown)
			}
			if diff := cmp.Diff(test.exact, exact); diff != "" {
				t.Errorf("exact (-want +got):\n%s", diff)
			}
			clear(give) // a reader uses its buffer again
			if diff := cmp.Diff(test.exact, exact); diff != "" {
				t.Errorf("exact is no copy:\n%s", diff)
			}
		})
	}
}

// checkShown holds for every shown name.
func checkShown(t *testing.T, shown string) {
	t.Helper()
	if shown == "" || shown == "." || shown == ".." || shown == "?" || strings.ContainsAny(shown, "/\x00") || !utf8.ValidString(shown) {
		t.Fatalf("%q is no safe part of a path", shown)
	}
}

// Names that differ as stored differ as given out: where exact is nil the
// shown form is the name, else exact is.
func FuzzNames(f *testing.F) {
	f.Add([]byte("a/b"), []byte(`a\x2fb`))
	f.Add([]byte(""), []byte(`\0`))
	f.Add([]byte(".."), []byte(`\x2e\x2e`))
	f.Add([]byte("a\xffb"), []byte(`a\xffb`))
	f.Add([]byte{0x3d, 0xd8}, []byte{0x3d, 0xd8, 0x00, 0xde})
	f.Add([]byte{0x00, 0x00}, []byte{'?', 0x00})
	f.Fuzz(func(t *testing.T, a, b []byte) {
		type form struct{ name, exact []byte }
		check := func(make func([]byte) (string, []byte), back func(form) []byte, a, b []byte) {
			shownA, exactA := make(a)
			shownB, exactB := make(b)
			checkShown(t, shownA)
			checkShown(t, shownB)
			if got := back(form{[]byte(shownA), exactA}); !bytes.Equal(got, a) {
				t.Fatalf("%q came back as %q", a, got)
			}
			same := shownA == shownB && (exactA == nil) == (exactB == nil) && bytes.Equal(exactA, exactB)
			if same != bytes.Equal(a, b) {
				t.Fatalf("%q is (%q, %q), %q is (%q, %q)", a, shownA, exactA, b, shownB, exactB)
			}
		}
		check(NameFromBytes, func(f form) []byte {
			if f.exact != nil {
				return f.exact
			}
			return f.name
		}, a, b)

		wide := func(b []byte) (string, []byte) {
			u := make([]uint16, len(b)/2)
			for i := range u {
				u[i] = binary.LittleEndian.Uint16(b[2*i:])
			}
			return NameFromUTF16(u)
		}
		check(wide, func(f form) []byte {
			if f.exact != nil {
				return f.exact
			}
			var out []byte
			for _, u := range units(string(f.name)) {
				out = binary.LittleEndian.AppendUint16(out, u)
			}
			return out
		}, a[:len(a)&^1], b[:len(b)&^1])
	})
}

func TestJoin(t *testing.T) {
	for _, test := range []struct{ give, want string }{
		{Join("", "Plates"), "Plates"},
		{Join("Plates/2019", "sheet 04.tif"), "Plates/2019/sheet 04.tif"},
		{Join(UnknownParent(0), "a"), "?/0/a"},
		{UnknownParent(1<<64 - 1), "?/18446744073709551615"},
	} {
		if test.give != test.want {
			t.Errorf("%q, want %q", test.give, test.want)
		}
	}
}

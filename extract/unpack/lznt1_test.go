package unpack

import (
	"strings"
	"testing"
)

// lznt1Example is the compressed data of [MS-XCA] section 3.3, LZNT1.
const lznt1Example = "38b08846232000204720410010a24701a045204400084501507900c045200524138805b4024a44ef0358028c091601484500be009e0004011890 00"

func TestLZNT1(t *testing.T) {
	src := unhex(t, lznt1Example)
	if len(src) != 59 {
		t.Fatal(len(src))
	}
	dst := make([]byte, 1<<16)
	n, err := lznt1(dst, src)
	if err != nil {
		t.Fatal(err)
	}
	// the section's own text is 142 bytes, from "F# F# G A A G" to "D D" and a zero
	got := string(dst[:n])
	if n != 142 || !strings.HasPrefix(got, "F# F# G A A G F# E D D E F# ") || !strings.HasSuffix(got, "D D\x00") {
		t.Errorf("%d bytes: %q", n, got)
	}
	for i := 3; i < len(src); i++ { // cut short: an error, never a short success
		if n, err := lznt1(dst, src[:i]); err == nil {
			t.Errorf("the first %d bytes decompress to %d", i, n)
		}
	}
	stored := append([]byte{0x03, 0x30}, "bell"...)
	if n, err := lznt1(dst, stored); err != nil || string(dst[:n]) != "bell" || dst[n] != 0 {
		t.Errorf("a stored chunk: %q, %v", dst[:n], err)
	}
	for _, head := range []byte{0x00, 0x10, 0x70, 0x80, 0xf0} { // bits 12 to 14 are 3 in every chunk
		if _, err := lznt1(dst, append([]byte{0x03, head}, "bell"...)); err == nil {
			t.Errorf("a chunk that begins with %#02x is taken", head)
		}
	}
	// what follows the last chunk of a unit is the slack of its cluster
	if n, err := lznt1(dst[:4], append(stored, "slack"...)); err != nil || n != 4 {
		t.Errorf("a full unit: %d, %v", n, err)
	}
	if _, err := lznt1(dst, []byte{0x02, 0xb0, 0x01, 0x00, 0x00}); err == nil {
		t.Error("a reference before the chunk is no error")
	}
}

func FuzzLZNT1(f *testing.F) {
	f.Add(unhex(f, lznt1Example))
	f.Fuzz(func(t *testing.T, b []byte) {
		dst := make([]byte, 1<<16)
		if n, _ := lznt1(dst, b); n < 0 || n > len(dst) {
			t.Fatalf("%d bytes in a unit of %d", n, len(dst))
		}
	})
}

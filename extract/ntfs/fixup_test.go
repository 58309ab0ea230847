package ntfs

import (
	"bytes"
	"testing"
)

// fixupExample is the example of the Linux-NTFS documentation,
// concepts/fixup.html: a record of 2 KiB whose update sequence number 0xabcd
// stands at 0x28 with its array behind, and whose four sectors end in 17 18,
// 27 28, 37 38 and 47 48. (bytes; sectors as on disk)
func fixupExample() []byte {
	b := make([]byte, 2048)
	copy(b, "FILE")
	b[4], b[6] = 0x28, 5
	copy(b[0x28:], []byte{0xcd, 0xab, 0x17, 0x18, 0x27, 0x28, 0x37, 0x38, 0x47, 0x48})
	for i := 1; i <= 4; i++ {
		copy(b[i*512-2:], []byte{0xcd, 0xab})
	}
	return b
}

func TestFixups(t *testing.T) {
	b := fixupExample()
	us, torn, err := applyFixups(b, 0)
	if err != nil || torn != 0 || us != (updateSequence{0x28, 5}) {
		t.Fatalf("%+v, torn %b, error %v", us, torn, err)
	}
	for i, want := range [][]byte{{0x17, 0x18}, {0x27, 0x28}, {0x37, 0x38}, {0x47, 0x48}} {
		if got := b[(i+1)*512-2 : (i+1)*512]; !bytes.Equal(got, want) {
			t.Errorf("sector %d ends in % x, not % x", i, got, want)
		}
	}
}

// A sector with a wrong end is torn, and it alone; unread ones are not judged.
func TestFixupsTorn(t *testing.T) {
	for bad := range 4 {
		for unread := range strides(16) {
			b := fixupExample()
			b[bad*512+511] ^= 0x40
			_, torn, err := applyFixups(b, unread)
			if want := strides(1<<bad) &^ unread; err != nil || torn != want {
				t.Errorf("sector %d wrong, %04b unread: torn %04b, error %v", bad, unread, torn, err)
			}
			for i, end := range [][]byte{{0x17, 0x18}, {0x27, 0x28}, {0x37, 0x38}, {0x47, 0x48}} {
				if unread.has(int64(i)) || i == bad {
					continue
				}
				if got := b[(i+1)*512-2 : (i+1)*512]; !bytes.Equal(got, end) {
					t.Errorf("sector %d wrong: good sector %d ends in % x", bad, i, got)
				}
			}
		}
	}
}

func TestFixupsHostile(t *testing.T) {
	for _, tt := range []struct {
		name   string
		change func(b []byte)
	}{
		{"array too short", func(b []byte) { b[6] = 4 }},
		{"array too long", func(b []byte) { b[6] = 6 }},
		{"no array", func(b []byte) { b[6] = 0 }},
		{"absurd count", func(b []byte) { b[6], b[7] = 0xff, 0xff }},
		{"over the head", func(b []byte) { b[4] = 0x10 }},
		{"odd", func(b []byte) { b[4] = 0x29 }},
		{"over the sector's own end", func(b []byte) { b[4], b[5] = 0xf8, 0x01 }},
		{"past the record", func(b []byte) { b[4], b[5] = 0xfe, 0xff }},
	} {
		b := fixupExample()
		tt.change(b)
		if us, _, err := applyFixups(b, 0); err == nil {
			t.Errorf("%s: %+v is believed", tt.name, us)
		}
	}
}

func TestStridesClean(t *testing.T) {
	for _, tt := range []struct {
		s        strides
		from, to int
		want     bool
	}{
		{0, 0, 1 << 15, true},
		{1 << 1, 0, 512, true},
		{1 << 1, 0, 513, false},
		{1 << 1, 511, 512, true},
		{1 << 1, 1023, 1024, false},
		{1 << 1, 1024, 2048, true},
		{1 << 1, 600, 600, true}, // no bytes lie anywhere
		{1 << 63, 63 * 512, 64 * 512, false},
	} {
		if got := tt.s.clean(tt.from, tt.to); got != tt.want {
			t.Errorf("strides %b, [%d, %d): %v", tt.s, tt.from, tt.to, got)
		}
	}
}

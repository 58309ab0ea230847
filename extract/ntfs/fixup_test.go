package ntfs

import (
	"bytes"
	"testing"

	"fileassay/extract/partial"
	"fileassay/extract/ranges"
)

// strides is a set of strides of a record, a bit each.
type strides uint64

func (s strides) has(i int) bool { return s>>i&1 != 0 }

// of are the bytes of b without those strides.
func (s strides) of(b []byte) partial.Bytes {
	out := partial.Bytes{Data: b}
	for i := range len(b) / stride {
		if s.has(i) {
			out.Lose(i*stride, (i+1)*stride)
		}
	}
	return out
}

// stridesOf is the set that ranges of whole strides are.
func stridesOf(list []ranges.Range) (s strides) {
	for _, r := range list {
		for at := r.Start; at < r.End; at += stride {
			s |= 1 << (at / stride)
		}
	}
	return s
}

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
	read := strides(0).of(b)
	array, torn, err := applyFixups(&read)
	if err != nil || torn != nil || array != 0x28 || !read.Whole() {
		t.Fatalf("array at %#x, torn %v, error %v", array, torn, err)
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
			read := unread.of(b)
			_, torn, err := applyFixups(&read)
			if want := strides(1<<bad) &^ unread; err != nil || stridesOf(torn) != want || stridesOf(read.Unread) != want|unread {
				t.Errorf("sector %d wrong, %04b unread: torn %v, lost %v, error %v", bad, unread, torn, read.Unread, err)
			}
			for i, end := range [][]byte{{0x17, 0x18}, {0x27, 0x28}, {0x37, 0x38}, {0x47, 0x48}} {
				if unread.has(i) || i == bad {
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
		if array, _, err := applyFixups(&partial.Bytes{Data: b}); err == nil {
			t.Errorf("%s: an array at %#x is believed", tt.name, array)
		}
	}
}

// A stride of which a part was not read cannot be checked: none of it counts.
func TestFixupsHalfRead(t *testing.T) {
	read := partial.Bytes{Data: fixupExample()}
	read.Lose(512+100, 512+200)
	if _, torn, err := applyFixups(&read); err != nil || torn != nil || stridesOf(read.Unread) != 2 || read.Unread[0].Len() != stride {
		t.Errorf("torn %v, lost %v, error %v", torn, read.Unread, err)
	}
}

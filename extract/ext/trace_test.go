package ext

import "testing"

// FuzzTrace holds that no sector is more than it can be: what speaks for a volume
// has a name, and a volume begins at or before it.
func FuzzTrace(f *testing.F) {
	for _, b := range traceSeeds() {
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if what, back := Trace(b); back < 0 || what == "" && back != 0 {
			t.Errorf("%q, %d bytes back", what, back)
		}
	})
}

// descriptor is the first group's of a volume of one group, as mke2fs makes it.
func descriptor(block, inode, table byte, free, folders uint16) []byte {
	b := make([]byte, 64)
	b[0], b[4], b[8] = block, inode, table
	b[0xC], b[0xD], b[0xE], b[0x10] = byte(free), byte(free>>8), 200, byte(folders)
	b[0x1C] = 100
	return b
}

func traceSeeds() [][]byte { return [][]byte{descriptor(66, 67, 68, 500, 3), nil} }

func TestTrace(t *testing.T) {
	for _, tt := range []struct {
		name string
		b    []byte
		want bool
	}{
		{"in order", descriptor(66, 67, 68, 500, 3), true},
		{"groups together", descriptor(66, 82, 98, 500, 3), true},
		{"no folder", descriptor(66, 67, 68, 500, 0), false},
		{"out of order", descriptor(67, 66, 68, 500, 3), false},
		{"far apart", descriptor(2, 200, 201, 500, 3), false},
		{"more free than there are", descriptor(66, 67, 68, 50000, 3), false},
		{"zeros", make([]byte, 64), false},
	} {
		if what, _ := Trace(tt.b); (what != "") != tt.want {
			t.Errorf("%s: %q", tt.name, what)
		}
	}
}

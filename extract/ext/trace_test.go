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

// TestBears holds that the descriptor and the root folder of real volumes lead to
// where these begin, and not without what they lead to.
func TestBears(t *testing.T) {
	for _, name := range []string{"ext2-1k", "ext4-journal", "ext4-bigino"} {
		const before = 3 << 20 // the volume does not begin with the image
		img := append(make([]byte, before), unpack(t, name)...)
		r := reader(t, img)
		borne := map[string]int{}
		inode := int64(0)
		for at := int64(before); at+4096 <= int64(len(img)); at += 512 {
			what, _ := Trace(img[at : at+4096])
			if what == "" {
				continue
			}
			if b := Bears(r, what, at); b.Borne && b.Start == before {
				borne[what]++
				inode = b.Places[0]
			}
		}
		if borne[descriptors] != 1 || borne[rootFolder] != 1 {
			t.Errorf("%s: borne %v, want one of each", name, borne)
		}
		clear(img[inode : inode+128])
		r = reader(t, img)
		for at := int64(before); at+4096 <= int64(len(img)); at += 512 {
			if what, _ := Trace(img[at : at+4096]); what != "" {
				if b := Bears(r, what, at); b.Borne {
					t.Errorf("%s: without the root's inode %s at %d is borne out: %+v", name, what, at, b)
				}
			}
		}
	}
}

package fat

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

func traceSeeds() [][]byte {
	return [][]byte{{0xF8, 0xFF, 0xFF, 0xFF, 0, 0, 0, 0}, {0xF8, 0xFF, 0xFF, 0x0F, 0xFF, 0xFF, 0xFF, 0x0F}, {0xF8, 0xFF, 0xFF}}
}

func TestTrace(t *testing.T) {
	for _, tt := range []struct {
		name string
		b    []byte
		want bool
	}{
		{"FAT16", []byte{0xF8, 0xFF, 0xFF, 0xFF, 3, 0, 4, 0}, true},
		{"FAT16, not closed", []byte{0xF8, 0xFF, 0xFF, 0x7F, 3, 0, 4, 0}, true},
		{"FAT32", []byte{0xF8, 0xFF, 0xFF, 0x0F, 0xFF, 0xFF, 0xFF, 0x0F}, true},
		{"FAT32, not closed", []byte{0xF8, 0xFF, 0xFF, 0x0F, 0xFF, 0xFF, 0xFF, 0x07}, true},
		{"exFAT", []byte{0xF8, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}, true},
		{"FAT12", []byte{0xF8, 0xFF, 0xFF, 0x03, 0x40, 0, 5, 0x60}, false},
		{"a bitmap", []byte{0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}, false},
		{"cut short", []byte{0xF8, 0xFF, 0xFF, 0xFF}, false},
	} {
		if what, _ := Trace(tt.b); (what != "") != tt.want {
			t.Errorf("%s: %q", tt.name, what)
		}
	}
}

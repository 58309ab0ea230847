package fat

import (
	"slices"
	"strings"
	"testing"

	"fileassay/extract"
)

// exfatLines are the lines of a volume; nil where it is none.
func exfatLines(t *testing.T, v *exfatImage) (proved []string, all int, s *extract.Survey, vol *Volume) {
	t.Helper()
	vol, err := OpenExFAT(t.Context(), v.Reader(), 0, v.Size, extract.Options{})
	if err != nil {
		return nil, 0, nil, nil
	}
	s, err = vol.Walk(t.Context(), func(f *extract.File) error {
		all++
		if line := v.line(f); !strings.Contains(line, "unproved") {
			proved = append(proved, line)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return proved, all, s, vol
}

// Whatever bit of the boot sector is another, nothing is called proved that is not
// what the volume holds, with its backup and without.
func TestExFATParameterFlips(t *testing.T) {
	for _, backup := range []bool{true, false} {
		v, _ := sheets(t)
		want, _, _, _ := exfatLines(t, v)
		if !backup {
			v.Lose(12*512, 12*512)
		}
		for bit := 64 * 8; bit < 112*8; bit++ {
			flip := func() { v.Write(int64(bit/8), []byte{v.Read(int64(bit/8), 1)[0] ^ 1<<(bit%8)}) }
			flip()
			got, _, _, _ := exfatLines(t, v)
			for _, line := range got {
				if !slices.Contains(want, line) && !strings.Contains(line, "unlocated") {
					t.Errorf("backup %v, bit %d of byte %d: %s", backup, bit%8, bit/8, line)
					break
				}
			}
			flip()
		}
	}
}

// Which facts prove where the clusters lie, and which do not.
func TestExFATGeometryProof(t *testing.T) {
	stale := func(v *exfatImage) { // a backup that passes its checksum and is another volume's
		v.Put32(12*512+100, 7)
		region := v.Read(12*512, 12*512)
		sum := bootChecksum(region[:checkedSectors*512])
		for i := int64(0); i < 512; i += 4 {
			v.Put32(12*512+11*512+i, sum)
		}
	}
	for _, c := range []struct {
		name   string
		do     func(v *exfatImage)
		proved bool
	}{
		{"untouched", func(*exfatImage) {}, true},
		{"a stale backup, settled by the up-case table and the bitmap", stale, true},
		{"main region fails, backup unread, settled so", func(v *exfatImage) { v.Write(600, []byte{1}); v.Lose(12*512, 12*512) }, true},
		{"a stale backup, the begin of the up-case table unread", func(v *exfatImage) { stale(v); v.Lose(v.cluster(3), 512) }, false},
		{"main region fails, backup and up-case table unread", func(v *exfatImage) { v.Write(600, []byte{1}); v.Lose(12*512, 12*512); v.Lose(v.cluster(3), 512) }, false},
		{"the table's begin is garbage", func(v *exfatImage) { v.Write(v.tableAt(0), make([]byte, 8)) }, true},
	} {
		v, _ := sheets(t)
		c.do(v)
		got, all, s, _ := exfatLines(t, v)
		if all == 0 || (len(got) == all) != c.proved || s.Listing.Complete != c.proved {
			t.Errorf("%s: %d of %d proved", c.name, len(got), all)
		}
	}
}

// How an exFAT volume was left is told.
func TestExFATStateIsTold(t *testing.T) {
	for flags, want := range map[uint16][2]bool{0: {}, flagDirty: {true, false}, flagFailed: {false, true}} {
		v, _ := sheets(t)
		v.Put16(106, flags)
		_, _, s, vol := exfatLines(t, v)
		if got := [2]bool{slices.Contains(s.Listing.Why, notClosed), slices.Contains(vol.Info().Notes, drivesError)}; got != want || s.Listing.Complete == want[0] {
			t.Errorf("flags %d: %v, want %v: %+v", flags, got, want, s.Listing)
		}
	}
}

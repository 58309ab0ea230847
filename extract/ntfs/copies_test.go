package ntfs

import (
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/fixture"
)

// A partition that is a little larger or smaller than its volume costs nothing
// where the boot sector is unread: its copy is found in one of the places that
// Copies names.
func TestEndElsewhere(t *testing.T) {
	const shift = 5 << 20
	img := fixture.Load(t, "v01-ntfs-4k").Image
	boot, err := parseBootSector(img)
	if err != nil {
		t.Fatal(err)
	}
	size := boot.length()
	whole := list(t, img[:size])
	for _, more := range []int64{-1<<20 + 512, -4096, -512, 0, 512, 1024, 4096, 1<<20 - 512} {
		var at []int64
		for p := range Copies(shift, size+more) {
			for _, c := range Sniff(img[min(p-shift, int64(len(img))):], p) {
				if c.Start == shift && c.Length == size {
					at = append(at, p)
				}
			}
		}
		if len(at) != 1 || at[0] != shift+size-512 {
			t.Errorf("in %d bytes more: copies at %d, want %d", more, at, shift+size-512)
		}
		big := slices.Concat(img[:size], make([]byte, max(more, 0)))
		l, err := listReader(reader(t, big, span{0, 512}), size+more)
		if err != nil {
			t.Errorf("in %d bytes more: %v", more, err)
			continue
		}
		if diff := cmp.Diff(whole.paths, l.paths); diff != "" {
			t.Errorf("in %d bytes more: %s", more, diff)
		}
	}
	for range Copies(0, 0) {
		t.Error("there are copies where no length is known")
		break
	}
	if _, err := Open(t.Context(), reader(t, img, span{0, 512}), 0, size+2<<20, extract.Options{}); err == nil {
		t.Error("a copy is taken that is 2 MiB from the end")
	}
}

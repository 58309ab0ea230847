package ext

import (
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/imap"
)

// Every copy of a superblock that a volume has stands in a place that Copies
// names, in partitions of any length; of groups of an unusual size, those of the
// first ten.
func TestCopies(t *testing.T) {
	const shift = 5 << 20
	for _, c := range volumes {
		img := unpack(t, c.name)
		for _, more := range []int64{0, 512, 1 << 20} {
			places := map[int64]bool{}
			for at := range Copies(shift, int64(len(img))+more) {
				places[at] = true
			}
			v, _ := walk(t, reader(t, img), walkAll)
			for _, g := range v.sb.copyGroups() {
				usual := int64(v.sb.ClustersPerGrp) == 8*v.bs
				if at := shift + v.sb.superOffset(g); !places[at] && (usual || g < 10) {
					t.Errorf("%s with %d bytes behind it: the copy in group %d at %d is in none of %d places", c.name, more, g, at, len(places))
				}
			}
		}
	}
	n := 0
	for range Copies(0, 20<<40) {
		n++
	}
	if n > 5000 {
		t.Errorf("%d places on 20 TiB", n)
	}
}

// A partition that is a little larger or smaller than its volume costs nothing
// where the superblock is unread, nor where no copy is there.
func TestEndElsewhere(t *testing.T) {
	for _, c := range volumes {
		img := unpack(t, c.name)
		size := int64(len(img))
		whole, files := walk(t, reader(t, img), extract.Options{})
		for _, more := range []int64{-1 << 20, -4096, -512, 512, 4096, 1 << 20} {
			// what lies behind a smaller partition is on the drive too
			big := slices.Concat(img, make([]byte, max(more, 0)))
			r := reader(t, big, imap.Range{Start: 0, Length: 4096, State: imap.Failed})
			v, err := Open(t.Context(), r, 0, size+more, extract.Options{})
			if err != nil {
				if len(whole.sb.copyGroups()) > 0 && whole.groups.backups == 0 {
					t.Errorf("%s in %d bytes more: %v", c.name, more, err)
				}
				continue
			}
			n := 0
			if _, err := v.Walk(t.Context(), countFiles(&n)); err != nil || n < len(files) {
				t.Errorf("%s in %d bytes more: %d entries, want %d: %v", c.name, more, n, len(files), err)
			}
		}
		want, ok := remains(t, img, size)
		for _, more := range []int64{-4096, -512, 512, 4096, 1 << 20} {
			if got, is := remains(t, slices.Concat(img, make([]byte, max(more, 0))), size+more); is != ok || len(got) < len(want) {
				t.Errorf("%s without a superblock, in %d bytes more: %v, %s", c.name, more, is, cmp.Diff(want, got))
			}
		}
	}
}

// remains lists what is left of a volume whose first 4 KiB were not read.
func remains(t *testing.T, img []byte, length int64) (list []string, ok bool) {
	v, err := OpenRemains(t.Context(), reader(t, img, imap.Range{Start: 0, Length: 2048, State: imap.Failed}), 0, length, extract.Options{})
	if err != nil {
		return nil, false
	}
	if _, err := v.Walk(t.Context(), func(f *extract.File) error { list = append(list, f.Path); return nil }); err != nil {
		t.Fatal(err)
	}
	return list, true
}

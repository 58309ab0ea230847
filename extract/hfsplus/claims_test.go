package hfsplus

import (
	"slices"
	"testing"

	"fileassay/extract"
)

// What two claim is neither's: no file that shares a block with another, or with
// one of the volume's own structures, is proved, and the list is not complete.
func TestShared(t *testing.T) {
	one := func(start uint32) []blockRun { return []blockRun{{start, 1}} }
	tests := []struct {
		name string
		add  func(b *builder)
		want []string // entries that are doubted
	}{
		{"nothing is shared", func(b *builder) {}, nil},
		{"two files", func(b *builder) {
			at := b.data(2)
			b.file(idRoot, "a", fileSpec{data: at, size: 8000, mode: modeRegular})
			b.file(idRoot, "b", fileSpec{data: one(at[0].start + 1), size: 9, mode: modeRegular})
		}, []string{"a", "b"}},
		{"a resource fork", func(b *builder) {
			at := b.data(1)
			b.file(idRoot, "a", fileSpec{data: at, size: 8, rsrc: at, rsize: 8, mode: modeRegular})
		}, []string{"a", "a:rsrc"}},
		{"an extent in the overflow file", func(b *builder) {
			at := b.data(1, 1, 1, 1, 1, 1, 1, 1, 1)
			b.file(idRoot, "a", fileSpec{data: at, size: 9 * 4096, mode: modeRegular})
			b.file(idRoot, "b", fileSpec{data: one(at[8].start), size: 9, mode: modeRegular})
		}, []string{"a", "b"}},
		{"the block of the volume header", func(b *builder) {
			b.file(idRoot, "a", fileSpec{data: one(0), size: 9, mode: modeRegular})
		}, []string{"a"}},
		{"a file of two names", func(b *builder) {
			at := b.data(1)
			b.file(idRoot, "b", fileSpec{data: at, size: 9, mode: modeRegular})
			for i, p := range b.catalog { // iNode77 of the sample, which has two names
				if len(p.data) == fileSize && p.name == "iNode77" {
					copy(b.catalog[i].data[fileDataFork:], forkBytes(4000, at))
				}
			}
		}, []string{"b", "maps/first name", "second name"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := sample()
			tt.add(b)
			x := b.build()
			v, files := walk(t, x.reader(t), x.size, extract.Options{})
			var got []string
			for _, f := range files {
				if f.RecordUnread {
					got = append(got, f.Path)
				}
			}
			slices.Sort(got)
			if !slices.Equal(got, tt.want) || v.Listing.Complete != (tt.want == nil) {
				t.Errorf("doubted are %q, not %q; complete %v: %q", got, tt.want, v.Listing.Complete, v.Listing.Why)
			}
		})
	}
}

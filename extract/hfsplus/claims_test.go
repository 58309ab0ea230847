package hfsplus

import (
	"encoding/binary"
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
		{"a file's own", func(b *builder) {
			at := b.data(1)
			b.file(idRoot, "a", fileSpec{data: append(at, at...), size: 8000, mode: modeRegular})
		}, []string{"a"}},
		{"a block that the allocation file calls free", func(b *builder) {
			at := b.data(3)
			b.file(idRoot, "a", fileSpec{data: at, size: 3 * 4096, mode: modeRegular})
			b.change = func(x *built) { x.free(at[0].start+1, 1) }
		}, []string{"a"}},
		{"a block of the catalog that the allocation file calls free", func(b *builder) {
			b.change = func(x *built) { x.free(x.header.catalog.runs[0].start, 1) }
		}, []string{}},
		{"a block that nothing claims", func(b *builder) {
			b.used = []blockRun{{firstData + 3000, 1}}
		}, []string{}},
		{"an allocation file of another number of free blocks", func(b *builder) {
			at := b.data(1)
			b.file(idRoot, "a", fileSpec{data: at, size: 9, mode: modeRegular})
			b.change = func(x *built) { x.free(at[0].start, 0) }
		}, []string{}},
		{"one of another number that is not so explained", func(b *builder) {
			at := b.data(1)
			b.file(idRoot, "a", fileSpec{data: at, size: 9, mode: modeRegular})
			b.change = func(x *built) { x.free(at[0].start, 7) }
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
			doubted(t, b, tt.want)
		})
	}
}

// doubted holds the entries of a volume that are doubted to be those, and its list to
// be complete only if there is nil.
func doubted(t *testing.T, b *builder, want []string) {
	t.Helper()
	x := b.build()
	v, files := walk(t, x.reader(t), x.size, extract.Options{})
	var got []string
	for _, f := range files {
		if f.RecordUnread {
			got = append(got, f.Path)
		}
	}
	slices.Sort(got)
	if !slices.Equal(got, want) || v.Listing.Complete != (want == nil) {
		t.Errorf("doubted are %q, not %q; complete %v: %q", got, want, v.Listing.Complete, v.Listing.Why)
	}
}

// free has the allocation file call a block free, and the volume header count so
// many free ones more.
func (x *built) free(block, more uint32) {
	x.meta[int64(x.header.allocation.runs[0].start)*x.block+int64(block/8)] &^= 0x80 >> (block % 8)
	binary.BigEndian.PutUint32(x.meta[headerOffset+hdrFreeBlocks:], x.header.freeBlocks+more)
}

// A size that ends in another block than the extents do is not proved, nor is one
// whose record counts other blocks than its extents have.
func TestForkSizes(t *testing.T) {
	for _, tt := range []struct {
		name          string
		size          uint64
		blocks, count uint32 // that the extents have, and the record says
		proved        bool
	}{
		{"the last byte", 3 * 4096, 3, 3, true},
		{"in the last block", 2*4096 + 1, 3, 3, true},
		{"a block less", 2 * 4096, 3, 3, false},
		{"none", 0, 3, 3, false},
		{"a block more in the record", 3 * 4096, 3, 4, false},
		{"a block less in the record", 2 * 4096, 3, 2, false},
		{"none in the record", 0, 3, 0, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := sample()
			at := b.data(tt.blocks)
			b.file(idRoot, "a", fileSpec{data: at, size: tt.size, rsrc: b.data(1), rsize: 1, mode: modeRegular})
			for _, p := range b.catalog {
				if len(p.data) == fileSize && p.name == "a" {
					copy(p.data[fileDataFork+12:], be32(tt.count))
				}
			}
			x := b.build()
			r := x.reader(t)
			_, files := walk(t, r, x.size, extract.Options{})
			if f := find(t, files, "a"); proven(f, r) != tt.proved {
				t.Errorf("proved %v: %+v", !tt.proved, f)
			}
			if s := find(t, files, "a:rsrc"); !proven(s, r) {
				t.Errorf("%+v", s)
			}
		})
	}
}

// A record of an earlier time asks for fewer extents than the extents overflow file
// has.
func TestFurtherExtents(t *testing.T) {
	b := sample()
	at := b.data(1, 1, 1, 1, 1, 1, 1, 1, 1)
	b.file(idRoot, "a", fileSpec{data: at, size: 9 * 4096, mode: modeRegular})
	for _, p := range b.catalog {
		if len(p.data) == fileSize && p.name == "a" {
			copy(p.data[fileDataFork:], forkBytes(8*4096, at[:8]))
		}
	}
	x := b.build()
	r := x.reader(t)
	_, files := walk(t, r, x.size, extract.Options{})
	if f := find(t, files, "a"); proven(f, r) {
		t.Errorf("%+v", f)
	}
}

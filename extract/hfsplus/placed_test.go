package hfsplus

import (
	"cmp"
	"fmt"
	"slices"
	"testing"

	"fileassay/extract"
	"fileassay/extract/imap"
)

// An alternate header leaves open where the volume begins where its place is no
// multiple of its blocks: the B-trees tell.
func TestPlacedByTrees(t *testing.T) {
	b := sample()
	x := b.build()
	total := x.size
	const slack = 1536
	x.size += slack // the alternate header moves with the end
	gone := imap.Range{Start: headerOffset, Length: headerSize, State: imap.Failed}
	r := x.reader(t, gone)
	win := make([]byte, headerSize)
	at := x.size - alternateOffset
	if _, err := r.ReadAt(win, at); err != nil {
		t.Fatal(err)
	}
	var opened []int64
	for _, c := range Sniff(win, at) {
		if c.From != "alternate volume header" {
			continue
		}
		if _, err := Open(t.Context(), r, c.Start, c.Length, extract.Options{}); err == nil && c.Length > total {
			opened = append(opened, c.Start)
		}
	}
	if len(opened) != 1 || opened[0] != 0 {
		t.Errorf("opened at %v, not at 0 alone", opened)
	}
}

// With blocks larger than nodes, a volume taken to begin a few nodes away from
// its place has nodes that look sound. Where the trees' headers are unread, the
// leaf nodes' links tell.
func TestPlacedByLinks(t *testing.T) {
	b := newBuilder()
	b.block = 16384
	b.folder(idRootParent, "Survey")
	for i := range 200 {
		b.file(idRoot, fmt.Sprintf("sheet %03d.tif", i), fileSpec{data: b.data(1), size: 9000, mode: modeRegular})
	}
	x := b.build()
	const slack = 8192
	total := x.size
	x.size += slack
	gone := []imap.Range{{Start: headerOffset, Length: headerSize, State: imap.Failed}}
	for _, f := range []*forkData{&x.header.extents, &x.header.catalog, &x.header.attributeFile} {
		if f.size > 0 {
			gone = append(gone, imap.Range{Start: int64(f.runs[0].start) * x.header.blockSize, Length: 512, State: imap.Failed})
		}
	}
	slices.SortFunc(gone, func(a, b imap.Range) int { return cmp.Compare(a.Start, b.Start) })
	r := x.reader(t, gone...)
	open := func(start, length int64) bool {
		v, err := Open(t.Context(), r, start, length, extract.Options{})
		if err != nil {
			return false
		}
		if v.trees.catalog.headerOK {
			t.Fatal("a header is read: nothing is tested")
		}
		return true
	}
	for s := int64(0); s < x.header.blockSize; s += 512 {
		start := slack - s // where a volume with s bytes left over would begin
		if start < 0 {
			continue
		}
		if got := open(start, total+s); got != (start == 0) {
			t.Errorf("a volume at %d with %d bytes left over: opened %v", start, s, got)
		}
	}
}

// The alternate header stands in its place where the header's volume ends.
func TestPlacedByAlternate(t *testing.T) {
	x := sample().build()
	v, _ := walk(t, x.reader(t), x.size, extract.Options{})
	if p, err := v.Placed(t.Context()); err != nil || p.End != x.size-alternateOffset+headerSize {
		t.Errorf("%+v, %v", p, err)
	}
	v, _ = walk(t, x.reader(t, imap.Range{Start: x.size - alternateOffset, Length: headerSize, State: imap.Failed}), x.size, extract.Options{})
	if p, err := v.Placed(t.Context()); err != nil || p.End >= x.size-alternateOffset {
		t.Errorf("unread: %+v, %v", p, err)
	}
}

package hfsplus

import (
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

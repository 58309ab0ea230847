package hfsplus

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/imap"
)

// leaves is a volume whose catalog has many leaves of 1 KiB, and an attributes file.
func leaves() *builder {
	b := newBuilder()
	b.node, b.nextData = 1024, firstData
	b.folder(idRootParent, "Survey")
	for i := range 6 {
		d := b.folder(idRoot, fmt.Sprintf("plot %02d", i))
		for k := range 8 {
			b.file(d, fmt.Sprintf("record %02d", k), fileSpec{data: b.data(1), size: 77, mode: modeRegular})
		}
	}
	b.packed("packed", append(packedHead(methodPlain, 5), "birch"...), nil)
	return b
}

// place is where a node of a tree stands.
func (x *built) place(f *forkData, node, size int) int {
	return int(f.runs[0].start)*int(x.block) + node*size
}

// Where the node map, the index and the links of a tree do not agree, what leads to a
// node decides, the list says so and is not complete. A sector of garbage costs no
// more than an unread one.
func TestNodesDisagree(t *testing.T) {
	plain := leaves().build()
	_, all := walk(t, plain.reader(t), plain.size, extract.Options{})
	for _, tt := range []struct {
		name   string
		change func(x *built)
	}{
		{"the catalog's map zeroed", func(x *built) {
			at := x.place(&x.header.catalog, 0, 1024)
			clear(x.meta[at+bthMap : at+1024-8])
		}},
		{"a leaf of the attributes file marked free", func(x *built) {
			x.meta[x.place(&x.header.attributeFile, 0, 4096)+bthMap] &^= 0x40
		}},
		{"a stale leaf marked used", func(x *built) {
			ghost := newBuilder()
			ghost.nextID = 5000
			ghost.file(idRoot, "ghost", fileSpec{mode: modeRegular})
			var n int
			stale := pack(ghost.catalog, 1024, 2, catKeyMost, &n)[1024:2048]
			h, err := parseTreeHeader(x.meta[x.place(&x.header.catalog, 0, 1024):][:1024])
			if err != nil || h.freeNodes == 0 {
				t.Fatal(h, err)
			}
			node := int(h.totalNodes - h.freeNodes)
			copy(x.meta[x.place(&x.header.catalog, node, 1024):], stale)
			x.meta[x.place(&x.header.catalog, 0, 1024)+bthMap+node/8] |= 0x80 >> (node % 8)
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := leaves()
			b.catalogNodes = 80
			b.change = tt.change
			x := b.build()
			r := x.reader(t)
			v, list := walk(t, r, x.size, extract.Options{})
			if d := cmp.Diff(paths(all), paths(list)); d != "" {
				t.Error(d)
			}
			for _, f := range list {
				if f.Kind == extract.KindFile && (!proven(f, r) || f.Size == 0) {
					t.Errorf("%+v", f)
				}
			}
			if v.Listing.Complete || !slices.ContainsFunc(v.Listing.Why, func(s string) bool { return strings.Contains(s, "do not agree") }) {
				t.Errorf("%+v", v.Listing)
			}
		})
	}

	// each leaf's sectors in turn, unread and as garbage
	x := leaves().build()
	for number := 1; number < int(x.header.catalog.size)/1024; number++ {
		for sector := range 2 {
			at := x.place(&x.header.catalog, number, 1024) + 512*sector
			if int8(x.meta[at-512*sector+nodeKind]) != kindLeaf {
				continue
			}
			_, want := walk(t, x.reader(t, imap.Range{Start: int64(at), Length: 512, State: imap.Failed}), x.size, extract.Options{})
			b := leaves()
			b.change = func(x *built) { copy(x.meta[at:], strings.Repeat("\xa5", 512)) }
			y := b.build()
			v, got := walk(t, y.reader(t), y.size, extract.Options{})
			if d := cmp.Diff(paths(want), paths(got)); d != "" || v.Listing.Complete {
				t.Errorf("sector %d of node %d: complete %v: %s", sector, number, v.Listing.Complete, d)
			}
		}
	}
}

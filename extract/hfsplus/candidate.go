package hfsplus

import (
	"errors"

	"fileassay/extract"
)

// Sniff names the volumes that a volume header at the start of window speaks
// for: the one that begins 1024 bytes before it, and, as an alternate header,
// the one that ends 1024 bytes after its begin (TN1150, Volume Header). The
// place of a volume need be no multiple of its allocation blocks, and what is
// left over stands at its end, so an alternate header leaves open by less than
// a block where its volume begins. window is up to 4096 bytes of the image from
// at, all read.
func Sniff(window []byte, at int64) []extract.Candidate {
	h, err := parseHeader(window)
	if err != nil {
		return nil
	}
	var out []extract.Candidate
	if start := at - headerOffset; start >= 0 {
		out = append(out, extract.Candidate{Start: start, Length: h.bytes(), Filesystem: h.name(), From: "volume header", At: at, ID: h.id(), Written: h.made()})
	}
	for slack := int64(0); slack < min(h.blockSize, maxSlack); slack += minNode {
		if start := at + alternateOffset - h.bytes() - slack; start >= 0 {
			out = append(out, extract.Candidate{Start: start, Length: h.bytes() + slack, Filesystem: h.name(), From: "alternate volume header", At: at, ID: h.id(), Written: h.made()})
		}
	}
	return out
}

// maxSlack bounds how much may be left over behind the last allocation block.
const maxSlack = 64 << 10

// placed tells whether a volume that the alternate header alone speaks for
// begins where it is taken to: by the header nodes of its B-trees, or by leaf
// nodes that name each other. Where none does, the place is refused if another
// begin would serve as well: sectors are left over at the end, or blocks are so
// large that nodes of a volume that begins elsewhere could stand at the places
// of this one's.
func (l *layout) placed() error {
	if l.last.at+alternateOffset-l.start <= l.header.bytes() && l.header.blockSize <= minCatalogNode {
		return nil
	}
	for _, t := range l.there() {
		if t.headerOK || t.chained() {
			return nil
		}
	}
	return errors.New("only the alternate volume header speaks for it, and no B-tree stands where that has one")
}

// minCatalogNode is the least size of the catalog's nodes (TN1150, Catalog File).
const minCatalogNode = 4096

// chained reports whether two leaf nodes at the start of the tree name each
// other, as only nodes that stand in their places do.
func (t *tree) chained() bool {
	const look = 4096
	leaf := func(number uint32) (descriptor, bool) {
		var b [descriptorSize]byte
		if !t.fork.read(b[:], int64(number)*int64(t.nodeSize)).Whole() {
			return descriptor{}, false
		}
		d, err := parseDescriptor(b[:], t.nodeSize)
		return d, err == nil && d.kind == kindLeaf
	}
	for i := range min(t.total, look) {
		if d, ok := leaf(i); ok && d.next != 0 && d.next < t.total {
			if next, ok := leaf(d.next); ok && next.prev == i {
				return true
			}
		}
	}
	return false
}

// name is the filesystem's name as in [extract.Info].
func (h *volumeHeader) name() string {
	if h.hfsx {
		return "hfsx"
	}
	return "hfsplus"
}

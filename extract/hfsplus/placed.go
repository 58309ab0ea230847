package hfsplus

import (
	"context"

	"fileassay/extract"
)

// maxPlaced bounds the nodes that are looked at.
const maxPlaced = 1 << 14

// Placed is for [extract.Placer]. The alternate header stands where the volume that
// the header describes ends, less than a block before the end of its place. A node of a tree names the leaf behind it, and
// that one names the first: so both stand where the tree's fork has them.
func (v *Volume) Placed(ctx context.Context) (extract.Placed, error) {
	out := extract.Placed{Start: v.start}
	if a, h := &v.last, &v.first; a.err == nil && h.err == nil && a.id() == h.id() && a.bytes() == h.bytes() && a.blockSize == h.blockSize {
		if left := a.at + alternateOffset - v.start - h.bytes(); left >= 0 && left < h.blockSize {
			out.Hit(a.at + headerSize)
		}
	}
	for _, t := range v.there() {
		step := max(t.total/maxPlaced, 1)
		for n := uint32(1); n < t.total && !out.Done(); n += step {
			if err := ctx.Err(); err != nil {
				return out, err
			}
			d, end, ok := t.leafAt(n)
			if !ok || d.next == 0 || d.next >= t.total {
				continue
			}
			e, last, ok := t.leafAt(d.next)
			if ok && e.prev == n { // else the journal may hold a newer one
				out.Hit(max(end, last))
			}
		}
	}
	return out, nil
}

// leafAt is the descriptor of a leaf that stands in its place on the disk, and
// where that ends.
func (t *tree) leafAt(n uint32) (d descriptor, end int64, ok bool) {
	off := int64(n) * int64(t.nodeSize)
	at := int64(-1)
	t.fork.runs.cut(off, descriptorSize, func(o, a, _ int64, there bool) {
		if there && o == off {
			at = a
		}
	})
	b := make([]byte, descriptorSize)
	if at < 0 {
		return d, 0, false
	}
	if _, err := t.fork.src.r.ReadAt(b, at); err != nil {
		return d, 0, false
	}
	d, err := parseDescriptor(b, t.nodeSize)
	return d, at + int64(t.nodeSize), err == nil && d.kind == kindLeaf && d.height == 1
}

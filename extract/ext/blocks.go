package ext

import (
	"encoding/binary"
	"slices"

	"fileassay/extract/image"
	"fileassay/extract/partial"
	"fileassay/extract/ranges"
)

// blocks reads the blocks of a volume, each in its newest version.
type blocks struct {
	r     *image.Reader
	start int64  // of the volume, in the image
	bs    int64  // bytes of a block
	count uint64 // of the volume
	overlay
}

// overlay is what a journal has newer versions of.
type overlay struct {
	copies map[uint64]journalCopy // by block
	keys   []uint64               // of copies, sorted
	// older is the block of the log, as one of the volume, with the newest version
	// that was read of a block whose newest was not, or fails its checksum.
	older map[uint64]uint64
	magic int64 // in the image, the bytes that an escaped block begins with
}

// overlaid are the numbers of the blocks in [block, block+n) that the journal
// holds a newer version of, in order.
func (o *overlay) overlaid(block, n uint64) []uint64 {
	i, _ := slices.BinarySearch(o.keys, block)
	j, _ := slices.BinarySearch(o.keys, block+n)
	return o.keys[i:j]
}

// unreadBytes are those of p, of which nothing was read.
func unreadBytes(p []byte) partial.Bytes {
	clear(p)
	return partial.Bytes{Data: p, Unread: []ranges.Range{{End: int64(len(p))}}}
}

// span is the place of blocks in the image, newer versions aside.
func (v *blocks) span(block, n uint64) ranges.Range {
	a := v.start + int64(block)*v.bs
	return ranges.Range{Start: a, End: a + int64(n)*v.bs}
}

// offset is where a block lies in the image: in its place, or in the journal
// where that holds a newer version.
func (v *blocks) offset(block uint64) int64 {
	if c, ok := v.copies[block]; ok {
		return c.at
	}
	return v.span(block, 1).Start
}

// proof reads what was read of a block as read does, and nothing of one that is
// listed by what is not vouched for.
func (v *blocks) proof(buf []byte, block uint64) partial.Bytes {
	if v.copies[block].weak {
		return unreadBytes(buf)
	}
	return v.read(buf, block)
}

// place is where byte off of a block lies in the image; ok is false where it
// does not stand there as it is.
func (v *blocks) place(block uint64, off int64) (at int64, ok bool) {
	c := v.copies[block]
	return v.offset(block) + off, !c.bad && !(c.escaped && off < 4)
}

// read reads what was read of as many blocks as buf holds.
func (v *blocks) read(buf []byte, block uint64) partial.Bytes {
	n := uint64(int64(len(buf)) / v.bs)
	if block < v.count && n <= v.count-block && len(v.overlaid(block, n)) == 0 {
		return v.r.Partial(buf, v.span(block, n).Start)
	}
	out := partial.Bytes{Data: buf}
	for i := range n {
		off := int64(i) * v.bs
		for _, u := range v.readOne(buf[off:off+v.bs], block+i).Unread {
			out.Unread = ranges.Append(out.Unread, ranges.Range{Start: off + u.Start, End: off + u.End})
		}
	}
	return out
}

// readOne reads a block that may have a newer version or be none of the volume.
func (v *blocks) readOne(buf []byte, block uint64) partial.Bytes {
	c, newer := v.copies[block]
	if block >= v.count || newer && c.bad {
		return unreadBytes(buf)
	}
	b := v.r.Partial(buf, v.offset(block))
	if newer && c.escaped && b.Has(0, 4) {
		binary.BigEndian.PutUint32(buf, journalMagic)
	}
	return b
}

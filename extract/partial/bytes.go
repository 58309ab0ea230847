// Package partial holds bytes of which some were not read. A structure that
// spans several sectors is decoded from them as far as it was read: a field
// that is not wholly read is not there, and never zero.
package partial

import (
	"encoding/binary"
	"slices"

	"fileassay/extract/ranges"
)

// Bytes are bytes of the image, or of a stream in it, of which some may not
// have been read. The zero value has no bytes.
type Bytes struct {
	// Data has zeros in place of what was not read.
	Data []byte
	// Unread are the parts of Data that were not read: sorted, disjoint and not
	// adjacent, in bytes of Data. It is nil where all was read.
	Unread []ranges.Range
}

// Len is the number of bytes, read or not.
func (b Bytes) Len() int { return len(b.Data) }

// Whole reports whether all was read.
func (b Bytes) Whole() bool { return len(b.Unread) == 0 }

// None reports whether nothing was read.
func (b Bytes) None() bool {
	return len(b.Unread) == 1 && b.Unread[0].Start <= 0 && b.Unread[0].End >= int64(len(b.Data))
}

// Has reports whether the n bytes at off exist and were read.
func (b Bytes) Has(off, n int) bool {
	return off >= 0 && n >= 0 && off <= len(b.Data)-n && !ranges.Touches(b.Unread, int64(off), int64(off+n))
}

// Slice is the n bytes at off, which must exist. It shares Data.
func (b Bytes) Slice(off, n int) Bytes {
	out := Bytes{Data: b.Data[off : off+n : off+n]}
	for s := range ranges.Within(b.Unread, int64(off), int64(off+n)) {
		out.Unread = append(out.Unread, ranges.Range{Start: s.Start - int64(off), End: s.End - int64(off)})
	}
	return out
}

// Get is the n bytes at off; ok is false, and they are nil, where they do not
// exist or were not all read. They share Data.
func (b Bytes) Get(off, n int) (p []byte, ok bool) {
	if !b.Has(off, n) {
		return nil, false
	}
	return b.Data[off : off+n : off+n], true
}

// Before is [from, to), which must exist, up to the first byte of it that was not
// read. It shares Data.
func (b Bytes) Before(from, to int) []byte {
	for s := range ranges.Within(b.Unread, int64(from), int64(to)) {
		to = int(s.Start)
		break
	}
	return b.Data[from:to:to]
}

// Byte is the byte at off; ok is false where it does not exist or was not read.
func (b Bytes) Byte(off int) (v byte, ok bool) {
	if !b.Has(off, 1) {
		return 0, false
	}
	return b.Data[off], true
}

// Uint16 is the number at off; ok is false where it was not wholly read.
func (b Bytes) Uint16(order binary.ByteOrder, off int) (v uint16, ok bool) {
	p, ok := b.Get(off, 2)
	if !ok {
		return 0, false
	}
	return order.Uint16(p), true
}

// Uint32 is the number at off; ok is false where it was not wholly read.
func (b Bytes) Uint32(order binary.ByteOrder, off int) (v uint32, ok bool) {
	p, ok := b.Get(off, 4)
	if !ok {
		return 0, false
	}
	return order.Uint32(p), true
}

// Uint64 is the number at off; ok is false where it was not wholly read.
func (b Bytes) Uint64(order binary.ByteOrder, off int) (v uint64, ok bool) {
	p, ok := b.Get(off, 8)
	if !ok {
		return 0, false
	}
	return order.Uint64(p), true
}

// Lose makes [start, end) count as not read: what fails its check says
// nothing. It does not change what other Bytes of the same Data say.
func (b *Bytes) Lose(start, end int) {
	a, z := int64(max(start, 0)), int64(min(end, len(b.Data)))
	if a >= z {
		return
	}
	i, _ := slices.BinarySearchFunc(b.Unread, a, func(r ranges.Range, a int64) int {
		if r.End < a {
			return -1
		}
		return 1
	})
	j := i
	for ; j < len(b.Unread) && b.Unread[j].Start <= z; j++ {
		a, z = min(a, b.Unread[j].Start), max(z, b.Unread[j].End)
	}
	b.Unread = slices.Concat(b.Unread[:i], []ranges.Range{{Start: a, End: z}}, b.Unread[j:])
}

// Fill takes from o, which are the same bytes as another copy has them, what
// was not read of b. It returns the parts that it took, and writes them to Data.
func (b *Bytes) Fill(o Bytes) (took []ranges.Range) {
	var left []ranges.Range
	for _, gap := range b.Unread {
		at := gap.Start
		take := func(end int64) {
			if at < end {
				copy(b.Data[at:end], o.Data[at:end])
				took = append(took, ranges.Range{Start: at, End: end})
			}
		}
		for lost := range ranges.Within(o.Unread, gap.Start, gap.End) {
			take(lost.Start)
			left, at = append(left, lost), lost.End
		}
		take(gap.End)
	}
	b.Unread = left
	return took
}

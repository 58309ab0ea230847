package image

import (
	"fileassay/extract/partial"
	"fileassay/extract/ranges"
)

// Partial reads what was read of [off, off+len(p)) into p, with zeros in place
// of what was not, and gives p with what was not read of it.
func (r *Reader) Partial(p []byte, off int64) partial.Bytes {
	b := partial.Bytes{Data: p}
	r.PartialInto(&b, 0, off, int64(len(p)))
	return b
}

// PartialInto reads n bytes from off into b, where they stand from pos on,
// behind all that b holds already. Where off is negative their place is not
// known: they count as not read.
func (r *Reader) PartialInto(b *partial.Bytes, pos, off, n int64) {
	p := b.Data[pos : pos+n]
	if off < 0 {
		clear(p)
		b.Unread = ranges.Append(b.Unread, ranges.Range{Start: pos, End: pos + n})
		return
	}
	for _, u := range r.ReadReadable(p, off) {
		b.Unread = ranges.Append(b.Unread, ranges.Range{Start: u.Start - off + pos, End: u.End() - off + pos})
	}
}

package image

import (
	"fileassay/extract/partial"
	"fileassay/extract/ranges"
)

// Partial reads what was read of [off, off+len(p)) into p, as ReadReadable
// does, and gives p with what was not.
func (r *Reader) Partial(p []byte, off int64) partial.Bytes {
	b := partial.Bytes{Data: p}
	for _, u := range r.ReadReadable(p, off) {
		b.Unread = ranges.Append(b.Unread, ranges.Range{Start: u.Start - off, End: u.End() - off})
	}
	return b
}

package fat

import (
	"context"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// bitmap is an allocation bitmap: a bit for each cluster, the lowest of the
// first byte for cluster 2. Section 7.1.5.
type bitmap struct {
	r        *image.Reader
	parts    []extract.Extent // where it lies, in order
	clusters uint32

	at     int64 // of the slice that is held, in the bitmap
	b      []byte
	unread []ranges.Range // in the slice
}

// bitmapSlice is how much of a bitmap is held at a time.
const bitmapSlice = 64 << 10

// load holds the slice that byte off of the bitmap is in.
func (m *bitmap) load(off int64) {
	at := off / bitmapSlice * bitmapSlice
	if m.b != nil && m.at == at {
		return
	}
	n := min(bitmapSlice, (int64(m.clusters)+7)/8-at)
	m.at, m.b, m.unread = at, make([]byte, n), nil
	pos := int64(0)
	for _, p := range m.parts {
		a, z := max(p.Offset, at), min(p.Offset+p.Length, at+n)
		if a >= z {
			continue
		}
		if a-at > pos {
			m.unread = append(m.unread, ranges.Range{Start: pos, End: a - at})
		}
		img := p.Image + a - p.Offset
		for _, u := range m.r.ReadReadable(m.b[a-at:z-at], img) {
			from := u.Start - img + a - at
			m.unread = append(m.unread, ranges.Range{Start: from, End: from + u.Length})
		}
		pos = z - at
	}
	if pos < n {
		m.unread = append(m.unread, ranges.Range{Start: pos, End: n})
	}
}

// state is what the bitmap says of cluster c.
func (m *bitmap) state(c uint32) state {
	i := c - firstCluster
	off := int64(i / 8)
	m.load(off)
	for _, u := range m.unread {
		if u.Start <= off-m.at && off-m.at < u.End {
			return stateUnknown
		}
	}
	if m.b[off-m.at]>>(i&7)&1 != 0 {
		return stateAllocated
	}
	return stateVacant
}

// each is the bitmap as a [allocation].
func (m *bitmap) each(ctx context.Context, yield func(first uint32, n int64, s state) error) error {
	put, flush := joinStates(yield)
	for i := uint32(0); i < m.clusters; {
		if i%(bitmapSlice*8) == 0 {
			if err := ctx.Err(); err != nil {
				return err
			}
		}
		n := uint32(1)
		if i&7 == 0 && m.clusters-i >= 8 {
			m.load(int64(i / 8))
			if b := m.b[int64(i/8)-m.at]; len(m.unread) == 0 && (b == 0 || b == 0xFF) {
				n = 8
			}
		}
		if err := put(i+firstCluster, int64(n), m.state(i+firstCluster)); err != nil {
			return err
		}
		i += n
	}
	return flush()
}

// vacant reports whether any of n clusters from first is free.
func (m *bitmap) vacant(first uint32, n int64) bool {
	for c := first; n > 0; {
		i := c - firstCluster
		if i&7 == 0 && n >= 8 {
			m.load(int64(i / 8))
			if len(m.unread) == 0 && m.b[int64(i/8)-m.at] == 0xFF {
				c, n = c+8, n-8
				continue
			}
		}
		if m.state(c) == stateVacant {
			return true
		}
		c, n = c+1, n-1
	}
	return false
}

// agrees holds the bitmap against clusters that are known to be in use: how
// many of them it has the bits of, and whether any that was read is missing.
func (m *bitmap) agrees(used *set) (known int64, ok bool) {
	for c := range used.all() {
		switch m.state(c) {
		case stateVacant:
			return known, false
		case stateAllocated:
			known++
		}
	}
	return known, true
}

package fat

import (
	"bytes"
	"context"
	"encoding/binary"

	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// Width is the kind of an allocation table: the bits of its entries.
type width uint8

// The widths.
const (
	width12    width = 12 // FAT12
	width16    width = 16 // FAT16
	width28    width = 28 // FAT32: 32 bits, of which the upper four are not part of the value
	widthExFAT width = 32 // exFAT
)

// Mark is what an entry of the table says.
type mark uint8

// The marks.
const (
	markUnread  mark = iota // in no copy
	markFree                // the cluster is free
	markNext                // the chain goes on
	markEnd                 // the last cluster of a chain
	markBad                 // a defective cluster
	markInvalid             // a value that has no meaning: reserved, or out of range
)

// Value is an entry of the table.
type value struct {
	Mark mark
	Raw  uint32 // the next cluster, for Next
}

// Link is an entry as the copies of the table give it.
type link struct {
	value
	Second   bool  // had from a later copy, since the first is unread
	Disagree bool  // both were read and differ
	Alt      value // what the second copy says, where Disagree
}

// Table is an allocation table in one or more copies, which are one logical
// table: where a sector of the first is unread, the next one's is used. It is
// not safe for concurrent use.
type table struct {
	r        *image.Reader
	copies   []int64 // where they begin in the image
	bytes    int64   // of one, as far as entries stand in it
	width    width
	clusters uint32

	pages map[int64]*tablePage
	ring  []int64 // pages in the order they came
	last  *tablePage
}

// tablePage is a part of the table. All offsets are from its start.
type tablePage struct {
	at     int64          // in the table
	b      []byte         // zero where unread
	unread []ranges.Range // in no copy
	second []ranges.Range // had from a later copy
	alt    []byte         // the second copy, where it differs; nil where not
	both   []ranges.Range // where both copies were read, if alt is set
}

const (
	// pageBytes is a multiple of 3, so that no entry of 12 bits stands in
	// two pages, and of any sector.
	pageBytes = 12 * 4096
	maxPages  = 512 // 24 MiB
)

// NewTable makes a table of the entries for clusters, read from copies at the
// given image offsets, each of size bytes.
func newTable(r *image.Reader, copies []int64, size int64, w width, clusters uint32) *table {
	entries := int64(clusters) + firstCluster
	need := entries * 4
	switch w {
	case width12:
		need = (entries*3 + 1) / 2
	case width16:
		need = entries * 2
	}
	return &table{r: r, copies: copies, bytes: min(need, size), width: w, clusters: clusters, pages: map[int64]*tablePage{}}
}

// place is where the entry of a cluster stands, and how many bytes it takes.
func (t *table) place(c uint32) (off, n int64) {
	switch t.width {
	case width12:
		return int64(c) + int64(c)/2, 2
	case width16:
		return int64(c) * 2, 2
	}
	return int64(c) * 4, 4
}

// decode makes sense of an entry's raw value.
func (t *table) decode(raw uint32) value {
	var top uint32 // the value of a bad cluster
	switch t.width {
	case width12:
		top = 0xFF7
	case width16:
		top = 0xFFF7
	case width28:
		raw &= 0x0FFFFFFF
		top = 0x0FFFFFF7
	default:
		top = 0xFFFFFFF7
	}
	switch {
	case raw == 0:
		return value{markFree, 0}
	case raw >= firstCluster && raw-firstCluster < t.clusters:
		return value{markNext, raw}
	case raw == top:
		return value{markBad, raw}
	case raw > top && (t.width != widthExFAT || raw == 0xFFFFFFFF):
		return value{markEnd, raw}
	}
	return value{markInvalid, raw}
}

// raw takes the entry of c from a page's bytes at i.
func (t *table) raw(b []byte, i int64, c uint32) uint32 {
	switch t.width {
	case width12:
		v := uint32(binary.LittleEndian.Uint16(b[i:]))
		if c&1 != 0 {
			return v >> 4
		}
		return v & 0xFFF
	case width16:
		return uint32(binary.LittleEndian.Uint16(b[i:]))
	}
	return binary.LittleEndian.Uint32(b[i:])
}

// Entry is the entry of cluster c. Entries 0 and 1 are of no cluster and must
// not be asked for.
func (t *table) entry(c uint32) link {
	off, n := t.place(c)
	p := t.page(off / pageBytes)
	i := off - p.at
	if i+n > int64(len(p.b)) {
		return link{} // the table is too short for this cluster
	}
	if p.unread != nil && overlaps(p.unread, i, n) {
		return link{}
	}
	e := link{value: t.decode(t.raw(p.b, i, c))}
	if p.second != nil && overlaps(p.second, i, n) {
		e.Second = true
	}
	if p.alt != nil && inside(p.both, i, n) {
		if alt := t.decode(t.raw(p.alt, i, c)); alt != e.value && !(alt.Mark == markEnd && e.Mark == markEnd) {
			e.Disagree, e.Alt = true, alt
		}
	}
	return e
}

func overlaps(list []ranges.Range, off, n int64) bool {
	for _, s := range list {
		if s.Start < off+n && off < s.End {
			return true
		}
	}
	return false
}

func inside(list []ranges.Range, off, n int64) bool {
	for _, s := range list {
		if s.Start <= off && off+n <= s.End {
			return true
		}
	}
	return false
}

func (t *table) page(n int64) *tablePage {
	if t.last != nil && t.last.at == n*pageBytes {
		return t.last
	}
	p := t.pages[n]
	if p == nil {
		p = t.load(n * pageBytes)
		if len(t.ring) >= maxPages {
			delete(t.pages, t.ring[0])
			t.ring = t.ring[1:]
		}
		t.pages[n] = p
		t.ring = append(t.ring, n)
	}
	t.last = p
	return p
}

// load reads a page out of the copies.
func (t *table) load(at int64) *tablePage {
	n := min(pageBytes, t.bytes-at)
	if n <= 0 {
		return &tablePage{at: at}
	}
	p := &tablePage{at: at, b: make([]byte, n)}
	missing := t.gaps(p.b, t.copies[0]+at)
	var other []byte
	for i, c := range t.copies[1:] {
		if i > 0 && len(missing) == 0 {
			break
		}
		if other == nil {
			other = make([]byte, n)
		}
		gaps := t.gaps(other, c+at)
		if i == 0 {
			p.compare(other, missing, gaps)
		}
		var left []ranges.Range
		for _, m := range missing {
			pos := m.Start
			fill := func(end int64) {
				if pos < end {
					copy(p.b[pos:end], other[pos:end])
					p.second = append(p.second, ranges.Range{Start: pos, End: end})
					pos = end
				}
			}
			for _, g := range gaps {
				a, z := max(g.Start, m.Start), min(g.End, m.End)
				if a < z {
					fill(a)
					left = append(left, ranges.Range{Start: a, End: z})
					pos = z
				}
			}
			fill(m.End)
		}
		missing = left
	}
	p.unread = missing
	return p
}

// gaps reads what was read and returns the rest as spans from b's start.
func (t *table) gaps(b []byte, at int64) []ranges.Range {
	var out []ranges.Range
	for _, u := range t.r.ReadReadable(b, at) {
		out = append(out, ranges.Range{Start: u.Start - at, End: u.End() - at})
	}
	return out
}

// compare notes where the second copy differs from the first.
func (p *tablePage) compare(other []byte, gaps ...[]ranges.Range) {
	if len(gaps[0]) == 0 && len(gaps[1]) == 0 && bytes.Equal(p.b, other) {
		return
	}
	var holes ranges.Set
	for _, list := range gaps {
		for _, g := range list {
			holes.Add(g.Start, g.End-g.Start)
		}
	}
	pos := int64(0)
	differ := false
	part := func(end int64) {
		if pos < end {
			p.both = append(p.both, ranges.Range{Start: pos, End: end})
			differ = differ || !bytes.Equal(p.b[pos:end], other[pos:end])
		}
	}
	for h := range holes.All() {
		part(h.Start)
		pos = h.End
	}
	part(int64(len(p.b)))
	if differ {
		p.alt = bytes.Clone(other)
	} else {
		p.both = nil
	}
}

// Count is what a table holds as a whole.
type count struct {
	Unread   int64 // entries read in no copy
	Second   int64 // entries had from a later copy alone
	Disagree int64 // entries read in both and not the same
}

// Count looks at every entry.
func (t *table) count(ctx context.Context) (count, error) {
	var n count
	err := t.eachPage(ctx, func(p *tablePage, c uint32, k int64) error {
		if p.unread == nil && p.alt == nil && p.second == nil && len(p.b) > 0 {
			return nil
		}
		for ; k > 0; c, k = c+1, k-1 {
			switch e := t.entry(c); {
			case e.Mark == markUnread:
				n.Unread++
			case e.Disagree:
				n.Disagree++
			case e.Second:
				n.Second++
			}
		}
		return nil
	})
	return n, err
}

// eachPage calls visit for the pages in order, each with the clusters whose
// entries stand in it: k from c.
func (t *table) eachPage(ctx context.Context, visit func(p *tablePage, c uint32, k int64) error) error {
	perPage := int64(pageBytes) * 8 / 32
	switch t.width {
	case width12:
		perPage = pageBytes * 8 / 12
	case width16:
		perPage = pageBytes / 2
	}
	last := int64(t.clusters) + firstCluster
	for n := int64(0); n*perPage < last; n++ {
		if err := ctx.Err(); err != nil {
			return err
		}
		from, to := max(n*perPage, firstCluster), min((n+1)*perPage, last)
		if from >= to {
			continue
		}
		if err := visit(t.page(n), uint32(from), to-from); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// Allocation yields the table as ranges of clusters of one state.
func (t *table) Allocation(ctx context.Context, yield func(first uint32, n int64, s state) error) error {
	w := stateRuns{yield: yield}
	err := t.eachPage(ctx, func(p *tablePage, c uint32, k int64) error {
		if p.unread == nil && p.alt == nil && zero(p.b) && len(p.b) > 0 {
			if _, size := t.place(c + uint32(k) - 1); size+t.offset(c+uint32(k)-1)-p.at <= int64(len(p.b)) {
				return w.put(c, k, stateVacant)
			}
		}
		for ; k > 0; c, k = c+1, k-1 {
			e := t.entry(c)
			s := stateAllocated
			switch {
			case e.Mark == markUnread:
				s = stateUnknown
			case e.Mark == markBad:
				s = stateDefective
			case e.Mark == markFree && (!e.Disagree || e.Alt.Mark == markFree):
				s = stateVacant
			}
			if err := w.put(c, 1, s); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return w.flush()
}

func (t *table) offset(c uint32) int64 {
	off, _ := t.place(c)
	return off
}

func zero(b []byte) bool {
	for len(b) >= 8 {
		if binary.LittleEndian.Uint64(b) != 0 {
			return false
		}
		b = b[8:]
	}
	for _, c := range b {
		if c != 0 {
			return false
		}
	}
	return true
}

package ntfs

import (
	"cmp"
	"fmt"
	"iter"
	"slices"
	"sort"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/ranges"
)

// mapping says where the clusters of a non-resident stream lie, put together
// from its attributes in one record or several.
type mapping struct {
	headed      bool  // the attribute that states the sizes was read
	size        int64 // bytes
	initialized int64 // bytes; what lies past it reads as zeros
	allocated   int64 // bytes; whole clusters
	flags       uint16
	unitShift   uint8
	runs        []run
	broken      []string // why runs are missing, in words
}

// add adds the runs of an attribute of a record to the mapping.
func (m *mapping) add(rec *record, a *attribute, clusters int64) {
	if a.lowest == 0 {
		m.headed = true
		m.size, m.initialized, m.allocated = a.size, a.initialized, a.allocated
		m.unitShift = a.unitShift
	}
	m.flags |= a.flags
	end := a.end
	for s := a.runsOff / stride; s*stride < a.end; s++ { // as far as it was read
		if rec.bad.has(int64(s)) {
			end = max(s*stride, a.runsOff)
			break
		}
	}
	next, err := decodeRuns(rec.data[a.runsOff:end], a.lowest, clusters, func(r run) { m.runs = append(m.runs, r) })
	switch {
	case end < a.end && err != nil:
		m.broken = append(m.broken, fmt.Sprintf("the rest of the extents stands in an unread or torn sector of record %d", rec.number))
	case err != nil:
		m.broken = append(m.broken, fmt.Sprintf("record %d: %v", rec.number, err))
	case next != a.highest+1 && !(a.lowest == 0 && a.highest == 0 && next == 0):
		m.broken = append(m.broken, fmt.Sprintf("record %d: runs map clusters to %d, their head says %d", rec.number, next, a.highest+1))
		if next > a.highest+1 { // the head is as good a witness: use neither past where they part
			for i := range m.runs {
				if r := &m.runs[i]; r.vcn >= a.lowest && r.vcn+r.length > a.highest+1 && r.vcn < next {
					r.length = max(0, a.highest+1-r.vcn)
				}
			}
			m.runs = slices.DeleteFunc(m.runs, func(r run) bool { return r.length == 0 })
		}
	}
}

// settle puts the runs in order. Where two claim the same part of the stream,
// neither is believed.
func (m *mapping) settle() {
	byVCN := func(a, b run) int { return cmp.Compare(a.vcn, b.vcn) }
	if !slices.IsSortedFunc(m.runs, byVCN) {
		slices.SortStableFunc(m.runs, byVCN)
	}
	clash := false
	end := int64(0)
	for _, r := range m.runs {
		if r.vcn < end {
			clash = true
		}
		end = max(end, r.vcn+r.length)
	}
	if !clash {
		return
	}
	m.broken = append(m.broken, "two records claim the same part of the file's extents")
	type edge struct {
		at    int64
		delta int
	}
	edges := make([]edge, 0, 2*len(m.runs))
	for _, r := range m.runs {
		edges = append(edges, edge{r.vcn, 1}, edge{r.vcn + r.length, -1})
	}
	slices.SortFunc(edges, func(a, b edge) int { return cmp.Compare(a.at, b.at) })
	var alone []ranges.Range // clusters that one run claims
	depth := 0
	for i, e := range edges {
		depth += e.delta
		if depth == 1 && i+1 < len(edges) && edges[i+1].at > e.at {
			alone = append(alone, ranges.Range{Start: e.at, End: edges[i+1].at})
		}
	}
	var out []run
	k := 0
	for _, r := range m.runs {
		for k < len(alone) && alone[k].End <= r.vcn {
			k++
		}
		for _, s := range alone[k:] {
			if s.Start >= r.vcn+r.length {
				break
			}
			part := run{vcn: s.Start, lcn: r.lcn, length: s.End - s.Start}
			if part.lcn != noCluster {
				part.lcn += s.Start - r.vcn
			}
			out = append(out, part)
		}
	}
	m.runs = out
}

// stream reads a metadata stream by its own offsets.
type stream struct {
	r       *image.Reader
	size    int64            // bytes
	extents []extract.Extent // sorted by Offset, disjoint; Image < 0 is a hole
}

// stream makes the reader of a settled mapping's valid bytes. Gaps between
// its extents are unlocated.
func (v *Volume) stream(m *mapping) *stream {
	s := &stream{r: v.r, size: m.initialized}
	for _, run := range m.runs {
		e := extract.Extent{Offset: run.vcn * v.cluster, Image: -1, Length: run.length * v.cluster}
		if run.lcn != noCluster {
			e.Image = v.start + run.lcn*v.cluster
		}
		if n := len(s.extents); n > 0 && e.Image >= 0 {
			last := &s.extents[n-1]
			if last.Image >= 0 && last.Offset+last.Length == e.Offset && last.Image+last.Length == e.Image {
				last.Length += e.Length
				continue
			}
		}
		s.extents = append(s.extents, e)
	}
	return s
}

// located yields the parts of [off, off+n) in order: image is -1 for a hole,
// and located false where the place is unknown.
func (s *stream) located(off, n int64, yield func(off, image, n int64, located bool)) {
	end := off + n
	i := sort.Search(len(s.extents), func(i int) bool { return s.extents[i].Offset+s.extents[i].Length > off })
	for off < end {
		if i == len(s.extents) || s.extents[i].Offset >= end {
			yield(off, -1, end-off, false)
			return
		}
		e := s.extents[i]
		if e.Offset > off {
			yield(off, -1, e.Offset-off, false)
			off = e.Offset
		}
		stop := min(e.Offset+e.Length, end)
		at := int64(-1)
		if e.Image >= 0 {
			at = e.Image + off - e.Offset
		}
		yield(off, at, stop-off, true)
		off = stop
		i++
	}
}

// read reads [off, off+len(p)) as far as it was read, with zeros in place of
// what was not, and returns the parts of the stream that were not, in order.
func (s *stream) read(p []byte, off int64) (gaps []ranges.Range) {
	s.located(off, int64(len(p)), func(o, at, n int64, located bool) {
		part := p[o-off : o-off+n]
		switch {
		case !located:
			clear(part)
			gaps = append(gaps, ranges.Range{Start: o, End: o + n})
		case at < 0:
			clear(part)
		default:
			for _, u := range s.r.ReadReadable(part, at) {
				gaps = append(gaps, ranges.Range{Start: o + u.Start - at, End: o + u.End() - at})
			}
		}
	})
	return gaps
}

// streamPart is a part of a stream that is all read, all unread or all hole.
type streamPart struct {
	length int64
	image  int64 // -1 for a hole, and where the place is not known
	unread bool
}

// parts yields the first n bytes of the stream in order, or its size if that
// is less, each part as long as it can be: what is not there costs nothing,
// however much of it a size claims.
func (s *stream) parts(n int64) iter.Seq[streamPart] {
	return func(yield func(streamPart) bool) {
		more := true
		s.located(0, min(n, s.size), func(_, at, n int64, located bool) {
			switch {
			case !more:
			case !located:
				more = yield(streamPart{n, -1, true})
			case at < 0:
				more = yield(streamPart{n, -1, false})
			default:
				for o := range s.r.Over(at, n) {
					if more = yield(streamPart{o.Length, o.Start, o.State != imap.Read}); !more {
						return
					}
				}
			}
		})
	}
}

// unread is the number of bytes of the stream that were not read or have no
// known place.
func (s *stream) unread() int64 {
	var n int64
	s.located(0, s.size, func(_, at, length int64, located bool) {
		switch {
		case !located:
			n += length
		case at >= 0:
			for u := range s.r.Unread(at, length) {
				n += u.Length
			}
		}
	})
	return n
}

// badStrides is the set of strides of the n bytes at off that gaps touch. gaps
// are sorted; it returns those that end after them for the next call.
func badStrides(gaps []ranges.Range, off, n int64) (strides, []ranges.Range) {
	for len(gaps) > 0 && gaps[0].End <= off {
		gaps = gaps[1:]
	}
	var s strides
	for _, g := range gaps {
		if g.Start >= off+n {
			break
		}
		for i := max(g.Start-off, 0) / stride; i < n/stride && i*stride < g.End-off; i++ {
			s |= 1 << uint(i)
		}
	}
	return s, gaps
}

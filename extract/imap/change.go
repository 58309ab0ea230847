package imap

import (
	"cmp"
	"slices"
)

// Cut is the map of a drive that ends at end: what lies past it is left out.
func (m *Map) Cut(end int64) *Map {
	end = max(end, 0)
	if m.end <= end {
		return m
	}
	return &Map{m.list.Cut(end), end}
}

// Outward is the map of a drive of the given size in whole sectors, since a
// drive gives a sector or does not: a sector is Read only if each of its bytes
// is, and else has the worst state of any of them. The last sector ends with
// the drive. It costs O(n).
func (m *Map) Outward(sector, size int64) *Map {
	m = m.Cut(size)
	if sector <= 1 || m.aligned(sector, size) {
		return m
	}
	out := &Map{}
	var pos int64 // out is made up to here, the start of a sector
	worst := Read // of that sector's bytes that were seen
	for r := range m.Over(0, size) {
		a, z := r.Start, r.End()
		if a > pos {
			worst = max(worst, r.State)
			if z-pos < sector {
				continue
			}
			out.emit(Range{pos, sector, worst})
			pos += sector
		}
		if whole := z - z%sector; whole > pos {
			out.emit(Range{pos, whole - pos, r.State})
			pos = whole
		}
		worst = r.State // of the part of a sector that is left, if one is
	}
	out.emit(Range{pos, size - pos, worst})
	return out
}

// aligned reports whether every range starts and ends with a sector or with
// the drive.
func (m *Map) aligned(sector, size int64) bool {
	for r := range m.Ranges() {
		if r.Start%sector != 0 || r.End()%sector != 0 && r.End() != size {
			return false
		}
	}
	return true
}

// TrustDoubtful is the map with Doubtful ranges taken as Read.
func (m *Map) TrustDoubtful() *Map {
	out := &Map{}
	out.list.Grow(m.Len())
	for r := range m.Ranges() {
		if r.State == Doubtful {
			r.State = Read
		}
		out.emit(r)
	}
	out.end = m.end
	return out
}

// With is the map with the given ranges laid over it, in any order and
// overlapping as they may: each byte gets the worst state that the map or a
// range gives it. It costs O(n + k log k) for k ranges; of a range that is not
// on any drive only the part that is counts.
func (m *Map) With(over []Range) *Map {
	// an edge is where a range begins (+1) or ends (-1)
	type edge struct {
		at    int64
		delta int
		state State
	}
	edges := make([]edge, 0, 2*len(over))
	for _, r := range over {
		a, z := max(r.Start, 0), min(endOf(r.Start, r.Length), maxOffset)
		if a < z && r.State <= Failed {
			edges = append(edges, edge{a, +1, r.State}, edge{z, -1, r.State})
		}
	}
	slices.SortFunc(edges, func(a, b edge) int { return cmp.Compare(a.at, b.at) })

	out := &Map{}
	out.list.Grow(m.Len() + len(edges))
	var pos int64
	var open [Failed + 1]int // ranges of each state that hold pos
	c := cursor{m: m}
	lay := func(end int64) {
		worst := Read
		for s, n := range open {
			if n > 0 {
				worst = State(s)
			}
		}
		for pos < end {
			s, next := c.at(pos, end)
			out.emit(Range{pos, next - pos, max(s, worst)})
			pos = next
		}
	}
	for _, e := range edges {
		lay(e.at)
		open[e.state] += e.delta
	}
	lay(m.end)
	return out
}

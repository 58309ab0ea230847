package reread

import (
	"slices"

	"fileassay/extract/imap"
	"fileassay/extract/ranges"
	"fileassay/verify/result"
)

// atomPlaces are where a problem's atoms lie.
type atomPlaces struct {
	start, end []int64
	state      []imap.State
}

// maxEntries bounds how many atoms all items have together.
const maxEntries = 16 << 20

// assemble cuts the spans of all items into atoms, and lets go of them.
// bySectors makes a sector the cost of a sector, for a budget of sectors; else
// costs are times.
func (b *builder) assemble(c *Costs, bySectors bool) (*problem, *atomPlaces) {
	in := make([]int32, len(b.spans)) // the stretch that each span lies in
	var cuts []int64
	for k, s := range b.spans {
		u := b.unread.From(s.Start)
		in[k] = int32(u)
		whole := b.unread.At(u)
		if s.Start > whole.Start {
			cuts = append(cuts, s.Start)
		}
		if s.End < whole.End() {
			cuts = append(cuts, s.End)
		}
	}
	pc := newPieces(b.unread, cuts)
	depth := make([]int32, pc.m.Len()+len(pc.cuts)+1) // how many more spans cover a piece than the one before
	for k, s := range b.spans {
		first, end := pc.of(in[k], s)
		depth[first]++
		depth[end]--
	}
	l, number := pc.atoms(depth)
	p := &problem{whole: b.whole, part: b.part, itemAt: make([]int32, 1, len(b.items)+1), itemAtoms: make([]int32, 0, len(b.spans))}
	for i := range b.items {
		if len(p.itemAtoms) > maxEntries {
			p.whole[i], p.part[i] = 0, 0
			p.itemAt = append(p.itemAt, int32(len(p.itemAtoms)))
			b.leftOut++
			continue
		}
		for k := b.spanAt[i]; k < b.spanAt[i+1]; k++ {
			first, end := pc.of(in[k], b.spans[k])
			for a := number[first]; a < number[end] && len(p.itemAtoms) <= 2*maxEntries; a++ {
				p.itemAtoms = append(p.itemAtoms, a)
			}
		}
		p.itemAt = append(p.itemAt, int32(len(p.itemAtoms)))
	}
	b.spans, b.spanAt, b.gates = nil, nil, nil
	b.price(p, l, c, bySectors)
	p.index()
	return p, l
}

// pieces are stretches of unread bytes, cut wherever a span begins or ends in
// one. They are numbered from the first stretch on.
type pieces struct {
	m     *result.UnreadMap
	cuts  []int64 // inside stretches, in order
	cutAt []int32 // cuts[cutAt[u]:cutAt[u+1]] are those of stretch u
}

func newPieces(m *result.UnreadMap, cuts []int64) *pieces {
	slices.Sort(cuts)
	p := &pieces{m, slices.Compact(cuts), make([]int32, m.Len()+1)}
	n := 0
	for u := range m.Len() {
		end := m.At(u).End()
		for n < len(p.cuts) && p.cuts[n] < end {
			n++
		}
		p.cutAt[u+1] = int32(n)
	}
	return p
}

// of are the pieces of a span in stretch u: the first, and the one behind them.
func (p *pieces) of(u int32, s ranges.Range) (first, end int32) {
	cuts := p.cuts[p.cutAt[u]:p.cutAt[u+1]]
	first = p.cutAt[u] + u
	end = first + int32(len(cuts)) + 1
	if i, ok := slices.BinarySearch(cuts, s.End); ok {
		end = first + int32(i) + 1
	}
	if i, ok := slices.BinarySearch(cuts, s.Start); ok {
		first += int32(i) + 1
	}
	return first, end
}

// atoms are the pieces that spans cover. number is that of each piece, or of the
// next atom behind it.
func (p *pieces) atoms(depth []int32) (l *atomPlaces, number []int32) {
	n, now := 0, int32(0)
	for _, d := range depth {
		if now += d; now > 0 {
			n++
		}
	}
	l = &atomPlaces{start: make([]int64, 0, n), end: make([]int64, 0, n), state: make([]imap.State, 0, n)}
	number = depth // which is not asked again
	piece := 0
	for u := range p.m.Len() {
		whole := p.m.At(u)
		start := whole.Start
		for k := p.cutAt[u]; k <= p.cutAt[u+1]; k++ {
			end := whole.End()
			if k < p.cutAt[u+1] {
				end = p.cuts[k]
			}
			now += depth[piece]
			number[piece] = int32(len(l.start))
			if now > 0 {
				l.start, l.end, l.state = append(l.start, start), append(l.end, end), append(l.state, whole.State)
			}
			start = end
			piece++
		}
	}
	number[piece] = int32(len(l.start))
	return l, number
}

// price fills the costs of a problem.
func (b *builder) price(p *problem, l *atomPlaces, c *Costs, bySectors bool) {
	n := len(l.start)
	p.sectors, p.cost, p.link = make([]int64, n), make([]int64, n), make([]int64, n)
	for a := range n {
		p.sectors[a] = (l.end[a] - l.start[a] + b.sector - 1) / b.sector
		if bySectors {
			p.cost[a] = p.sectors[a]
			continue
		}
		p.cost[a] = capped(p.sectors[a], c.perSector(l.state[a]))
		if a+1 < n {
			p.link[a] = b.saved(l, a, c)
		}
	}
	if !bySectors {
		p.seek = c.Seek.Microseconds()
	}
}

// saved is what reading an atom and the next in one go saves.
func (b *builder) saved(l *atomPlaces, a int, c *Costs) int64 {
	gap := (l.start[a+1] - l.end[a]) / b.sector
	if gap > c.Gap {
		return 0
	}
	return max(c.Seek.Microseconds()-c.pass(gap), 0)
}

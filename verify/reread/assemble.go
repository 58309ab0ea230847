package reread

import (
	"slices"
	"sort"

	"fileassay/extract/imap"
)

// atomPlaces are where a problem's atoms lie.
type atomPlaces struct {
	start, end []int64
	state      []imap.State
}

// maxEntries bounds how many atoms all items have together.
const maxEntries = 16 << 20

// assemble cuts the spans of all items into atoms. bySectors makes a sector
// the cost of a sector, for a budget of sectors; else costs are times.
func (b *builder) assemble(c *Costs, bySectors bool) (*problem, *atomPlaces) {
	cuts := make([]int64, 0, 2*len(b.spans))
	for _, s := range b.spans {
		cuts = append(cuts, s.start, s.end)
	}
	slices.Sort(cuts)
	cuts = slices.Compact(cuts)
	// which of the ranges between cuts are wanted
	depth := make([]int32, len(cuts)+1)
	first := make([]int32, len(b.spans)) // the cut where each span begins
	upto := func(i int32, end int64) int32 {
		for cuts[i] < end {
			i++
		}
		return i
	}
	var walked int
	for k, s := range b.spans {
		i := int32(sort.Search(len(cuts), func(i int) bool { return cuts[i] >= s.start }))
		first[k] = i
		depth[i]++
		if walked < 8*len(cuts) { // most spans have few cuts in them
			end := upto(i, s.end)
			walked += int(end - i)
			depth[end]--
			continue
		}
		depth[sort.Search(len(cuts), func(i int) bool { return cuts[i] >= s.end })]--
	}
	number := make([]int32, len(cuts)) // of the atom that begins at a cut
	l := &atomPlaces{}
	var now int32
	u := 0
	for i := 0; i+1 < len(cuts); i++ {
		now += depth[i]
		number[i] = int32(len(l.start))
		if now == 0 {
			continue
		}
		for b.unread[u].end <= cuts[i] {
			u++
		}
		l.start = append(l.start, cuts[i])
		l.end = append(l.end, cuts[i+1])
		l.state = append(l.state, b.unread[u].state)
	}
	if len(cuts) > 0 {
		number[len(cuts)-1] = int32(len(l.start))
	}
	p := &problem{whole: b.whole, part: b.part, itemAt: make([]int32, 1, len(b.items)+1)}
	for i := range b.items {
		if len(p.itemAtoms) > maxEntries {
			p.whole[i], p.part[i] = 0, 0
			p.itemAt = append(p.itemAt, int32(len(p.itemAtoms)))
			b.leftOut++
			continue
		}
		for k := b.spanAt[i]; k < b.spanAt[i+1]; k++ {
			for a := number[first[k]]; int(a) < len(l.start) && l.start[a] < b.spans[k].end && len(p.itemAtoms) <= 2*maxEntries; a++ {
				p.itemAtoms = append(p.itemAtoms, a)
			}
		}
		p.itemAt = append(p.itemAt, int32(len(p.itemAtoms)))
	}
	b.price(p, l, c, bySectors)
	p.index()
	return p, l
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

package reread

import (
	"cmp"
	"math"
	"slices"
	"sync"
)

// grains are how long, in microseconds, a run of near atoms may be that is read
// in one go when the order of a plan is looked for. Single atoms rise fastest
// where sectors are dear, long runs where seeks are.
var grains = [...]int64{0, 100_000, 2_000_000, 60_000_000, math.MaxInt64}

// ordered is a set of atoms in the order in which it wins the most the soonest,
// with the ends of its steps. Orders of several grains are made, and the best is
// the one in which what is won waits the least: never longer than in the order of
// the disk, or with the smallest ranges first.
func (t *teller) ordered(chosen []bool) (order, ends []int32) {
	var (
		plain, plainEnds []int32
		plainWaits       float64
		beside           sync.WaitGroup
	)
	beside.Go(func() { plain, plainEnds, plainWaits = t.plain(chosen) })
	if len(t.p.itemAtoms) > mostSwept {
		beside.Wait() // both at a time would take much memory
	}
	order, ends = t.finest(chosen)
	if len(t.p.itemAtoms) <= mostSwept {
		order, ends = t.sweep(order, ends)
	}
	waits := t.waiting(order, ends)
	if beside.Wait(); plainWaits < waits {
		return plain, plainEnds
	}
	return order, ends
}

// How many atoms all items have together in a plan of which orders of several
// grains are made, and in one that is swept: with more, either would take long.
const (
	mostGrained = 1 << 20
	mostSwept   = 1 << 18
)

// finest tries orders of several grains.
func (t *teller) finest(chosen []bool) (order, ends []int32) {
	try := grains[:]
	if len(t.p.itemAtoms) > mostGrained {
		try = try[:1]
	}
	least := math.Inf(1)
	var last *coarse
	for _, grain := range try {
		c := t.p.coarse(chosen, grain)
		if last != nil && slices.Equal(c.end, last.end) {
			continue // it joins no more than the grain before
		}
		last = c
		t.raise(c.problem)
		g := newGreedy(c.problem)
		g.run(math.MaxInt64, nil)
		o, e := c.fine(g)
		if w := t.waiting(o, e); w < least {
			least, order, ends = w, o, e
		}
	}
	return order, ends
}

// raise makes an item that becomes whole win what the curve rises by, so that an
// order is looked for by what it is judged by.
func (t *teller) raise(p *problem) {
	for i := range p.whole {
		if p.size[i] < t.p.size[i] {
			continue
		}
		if it := &t.plan.items[i]; it.sort == unitOfFile && p.size[it.file] < t.p.size[it.file] {
			continue // it is won for its share alone
		}
		p.whole[i] = t.curve(int32(i))
	}
}

// diskOrder is a set of atoms in the order of the disk. Each unread range is a step.
func (t *teller) diskOrder(chosen []bool) (order, ends []int32) {
	order, stretch := t.inPlace(chosen)
	return order, stepsOf(order, stretch)
}

// inPlace is a set of atoms in the order of the disk, and the unread range that
// each atom lies in.
func (t *teller) inPlace(chosen []bool) (order, stretch []int32) {
	stretch = make([]int32, len(chosen))
	order = make([]int32, 0, len(chosen))
	u := 0
	for a := range chosen {
		for t.unread.At(u).End() <= t.places.start[a] {
			u++
		}
		stretch[a] = int32(u)
		if chosen[a] {
			order = append(order, int32(a))
		}
	}
	return order, stretch
}

// stepsOf makes a step of each run of atoms that lie in one unread range.
func stepsOf(order, stretch []int32) (ends []int32) {
	ends = make([]int32, 0, len(order))
	for k := range order {
		if k+1 == len(order) || stretch[order[k]] != stretch[order[k+1]] {
			ends = append(ends, int32(k+1))
		}
	}
	return ends
}

// plain is the better of two plain orders: by place, and the smallest unread
// ranges first, with its waiting. Each range is a step.
func (t *teller) plain(chosen []bool) (order, ends []int32, waits float64) {
	order, stretch := t.inPlace(chosen)
	ends = stepsOf(order, stretch)
	small := slices.Clone(order)
	slices.SortStableFunc(small, func(a, b int32) int {
		return cmp.Or(cmp.Compare(t.unread.At(int(stretch[a])).Length, t.unread.At(int(stretch[b])).Length), cmp.Compare(a, b))
	})
	smallEnds := stepsOf(small, stretch)
	waits, smallWaits := t.waiting(order, ends), t.waiting(small, smallEnds)
	if smallWaits < waits {
		return small, smallEnds, smallWaits
	}
	return order, ends, waits
}

// coarse is a problem whose atoms are runs of another's.
type coarse struct {
	*problem
	first, end []int32 // atoms of each run
}

// coarse joins chosen atoms that are near each other into runs of a cost of at
// most grain. What an item wins of a set that does not make it whole is won run
// by run.
func (p *problem) coarse(chosen []bool, grain int64) *coarse {
	if grain == 0 && !slices.Contains(chosen, false) {
		return p.asIs()
	}
	c := &coarse{problem: &problem{seek: p.seek, whole: make([]float64, p.itemCount()), part: make([]float64, p.itemCount())}}
	number := make([]int32, p.atomCount())
	for a, ok := range chosen {
		if !ok {
			continue
		}
		n := len(c.cost)
		if n > 0 && int(c.end[n-1]) == a && p.link[a-1] > 0 && grain > 0 {
			if more := p.seek - p.link[a-1] + p.cost[a]; c.cost[n-1] <= grain-more {
				c.cost[n-1] += more
				c.sectors[n-1] += p.sectors[a]
				c.end[n-1] = int32(a + 1)
				number[a] = int32(n - 1)
				continue
			}
		}
		if n > 0 && int(c.end[n-1]) == a {
			c.link[n-1] = p.link[a-1]
		}
		number[a] = int32(n)
		c.first, c.end = append(c.first, int32(a)), append(c.end, int32(a+1))
		c.cost, c.sectors, c.link = append(c.cost, p.cost[a]), append(c.sectors, p.sectors[a]), append(c.link, 0)
	}
	c.itemAt = make([]int32, 1, p.itemCount()+1)
	for i := range p.whole {
		var got int64
		from := len(c.itemAtoms)
		for _, a := range p.atoms(int32(i)) {
			if !chosen[a] {
				continue
			}
			got += p.sectors[a]
			if n := len(c.itemAtoms); n == from || c.itemAtoms[n-1] != number[a] {
				c.itemAtoms = append(c.itemAtoms, number[a])
			}
		}
		c.itemAt = append(c.itemAt, int32(len(c.itemAtoms)))
		c.whole[i], c.part[i] = p.worth(int32(i), got), p.part[i]
		if got < p.size[i] {
			c.part[i] = c.whole[i]
		}
	}
	c.index()
	return c
}

// asIs is a problem whose runs are another's atoms.
func (p *problem) asIs() *coarse {
	same := *p
	same.whole = slices.Clone(p.whole)
	c := &coarse{problem: &same, first: make([]int32, p.atomCount()), end: make([]int32, p.atomCount())}
	for a := range c.first {
		c.first[a], c.end[a] = int32(a), int32(a+1)
	}
	return c
}

// fine is the order of runs that was found as one of atoms, the rest of the
// chosen ones by place behind it.
func (c *coarse) fine(g *greedy) (order, ends []int32) {
	order, ends = make([]int32, 0, len(c.first)), make([]int32, 0, len(g.ends)+1)
	from := int32(0)
	for _, end := range g.ends {
		for _, run := range g.order[from:end] {
			for a := c.first[run]; a < c.end[run]; a++ {
				order = append(order, a)
			}
		}
		from = end
		ends = append(ends, int32(len(order)))
	}
	for run, ok := range g.chosen {
		if !ok {
			for a := c.first[run]; a < c.end[run]; a++ {
				order = append(order, a)
			}
		}
	}
	if len(ends) == 0 || int(ends[len(ends)-1]) < len(order) {
		ends = append(ends, int32(len(order)))
	}
	return order, ends
}

// waiting is the sum over all items that become whole of what they add, times
// how long they wait.
func (t *teller) waiting(order, ends []int32) float64 {
	p := t.p
	when := slices.Repeat([]int64{never}, p.atomCount()) // each atom is read
	now, pos, from := int64(0), int64(-1), int32(0)
	for _, end := range ends {
		atoms := order[from:end]
		from = end
		slices.Sort(atoms)
		for _, a := range atoms {
			now += t.move(pos, t.places.start[a]) + capped(p.sectors[a], t.c.perSector(t.places.state[a]))
			pos = t.places.end[a]
			when[a] = now
		}
	}
	sum := 0.0
	for i := range p.whole {
		whole := int64(-1)
		for _, a := range p.atoms(int32(i)) {
			whole = max(whole, when[a])
		}
		if whole >= 0 && whole < never {
			sum += t.curve(int32(i)) * float64(whole)
		}
	}
	return sum
}

// never is when an atom is read that is in no step.
const never = math.MaxInt64

// curve is how far the curve of a plan rises once an item is won: by all of a
// file's weight, also where most of the file could be used before.
func (t *teller) curve(item int32) float64 {
	switch it := &t.plan.items[item]; it.sort {
	case wholeFile:
		return it.weight
	case unitOfFile:
		return 0
	}
	return t.p.whole[item]
}

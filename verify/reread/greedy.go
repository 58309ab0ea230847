package reread

import "math"

// greedy chooses again and again what wins most for its cost. Costs and gains
// of what is left change with every choice (shared atoms are paid for once,
// atoms near chosen ones need no seek), so they are kept as they change, and
// candidates move in the queue. A candidate is an item, or (from the number of
// items on) an atom.
type greedy struct {
	p      *problem
	power  float64 // what wins v and costs c is worth v / c^power
	parts  bool    // candidates are also single atoms, for the share they gain
	banned []bool  // candidates that must not be chosen; nil for none

	chosen []bool
	items  []progress
	share  []float64 // what single atoms gain; nil until it is asked for
	cost   int64
	value  float64

	queue   queue
	marked  []bool // candidates whose key must be found again
	changed []int32

	order []int32 // atoms as they were chosen
	ends  []int32 // where in order each step ends
}

// progress is how far an item has come.
type progress struct {
	left    int64 // what its atoms that are not chosen would cost
	got     int64 // sectors that are chosen
	missing int32 // atoms that are not chosen
}

func newGreedy(p *problem) *greedy {
	n := p.candidates()
	return &greedy{p: p, power: 1, chosen: make([]bool, p.atomCount()), items: make([]progress, p.itemCount()),
		queue: newQueue(n), marked: make([]bool, n)}
}

// reset forgets all choices.
func (g *greedy) reset() {
	p := g.p
	clear(g.chosen)
	g.cost, g.value = 0, 0
	g.forget()
	g.order, g.ends = g.order[:0], g.ends[:0]
	for i := range g.items {
		list := p.atoms(int32(i))
		var sum int64
		for k, a := range list {
			sum += p.cost[a] + p.seek
			if k > 0 && list[k-1] == a-1 {
				sum -= p.link[a-1]
			}
		}
		g.items[i] = progress{left: sum, missing: int32(len(list))}
	}
}

// forget empties the queue, and what was to come back to it.
func (g *greedy) forget() {
	for _, id := range g.changed {
		g.marked[id] = false
	}
	g.changed = g.changed[:0]
	g.queue.clear()
}

// atom is the atom that a candidate is; ok is false for an item.
func (g *greedy) atom(id int32) (a int32, ok bool) {
	n := int32(g.p.itemCount())
	return id - n, id >= n
}

// has reports whether all of a candidate is chosen.
func (g *greedy) has(id int32) bool {
	if a, ok := g.atom(id); ok {
		return g.chosen[a]
	}
	return g.items[id].missing == 0
}

// costs is what choosing a candidate costs now.
func (g *greedy) costs(id int32) int64 {
	if a, ok := g.atom(id); ok {
		return g.atomCost(a)
	}
	return g.items[id].left
}

// gain is what choosing a candidate wins now.
func (g *greedy) gain(id int32) float64 {
	if a, ok := g.atom(id); ok {
		return g.share[a]
	}
	return g.p.whole[id] - g.p.worth(id, g.items[id].got)
}

// open reports whether a candidate may be chosen, and fits in the budget.
func (g *greedy) open(id int32, budget int64) bool {
	return !g.has(id) && (g.banned == nil || !g.banned[id]) && g.costs(id) <= budget-g.cost
}

func (g *greedy) atomCost(a int32) int64 {
	c := g.p.cost[a] + g.p.seek
	if a > 0 && g.chosen[a-1] {
		c -= g.p.link[a-1]
	}
	if int(a)+1 < len(g.chosen) && g.chosen[a+1] {
		c -= g.p.link[a]
	}
	return c
}

// push puts a candidate into the queue as it now stands, or takes it out.
func (g *greedy) push(id int32) {
	if !g.open(id, math.MaxInt64) {
		g.queue.remove(id)
		return
	}
	gain, c := g.gain(id), float64(max(g.costs(id), 1))
	if gain <= 0 {
		g.queue.remove(id)
		return
	}
	switch g.power {
	case 1:
	case 0:
		c = 1
	case 0.5:
		c = math.Sqrt(c)
	default:
		c = math.Pow(c, g.power)
	}
	g.queue.set(id, gain/c)
}

func (g *greedy) mark(id int32) {
	if !g.marked[id] {
		g.marked[id] = true
		g.changed = append(g.changed, id)
	}
}

// take chooses an atom and keeps the costs of all that it touches.
func (g *greedy) take(a int32) {
	p := g.p
	g.cost += g.atomCost(a)
	g.chosen[a] = true
	g.order = append(g.order, a)
	for _, i := range p.items(a) {
		it := &g.items[i]
		before := p.worth(i, it.got)
		it.got += p.sectors[a]
		it.missing--
		it.left -= p.cost[a] + p.seek
		if it.missing == 0 {
			it.got = p.size[i]
		}
		g.value += p.worth(i, it.got) - before
		g.mark(i)
	}
	if a > 0 {
		g.joined(a, a-1, p.link[a-1])
	}
	if int(a)+1 < p.atomCount() {
		g.joined(a, a+1, p.link[a])
	}
}

// joined keeps the costs of items at the link between an atom that was just
// chosen and its neighbour. An item counts a link among what it would save if
// it would add at least one of its ends, and the other is chosen or its own.
func (g *greedy) joined(a, neighbour int32, link int64) {
	if link == 0 {
		return
	}
	p := g.p
	if g.chosen[neighbour] {
		for _, i := range p.items(a) {
			g.items[i].left += link
		}
		return
	}
	own := p.items(a) // in order, as the neighbour's are
	for _, i := range p.items(neighbour) {
		for len(own) > 0 && own[0] < i {
			own = own[1:]
		}
		if len(own) > 0 && own[0] == i {
			continue // it counted the link as its own, and still does
		}
		g.items[i].left -= link
		g.mark(i)
	}
	if g.parts {
		g.mark(int32(p.itemCount()) + neighbour)
	}
}

// step ends a step: all that changed goes to its new place in the queue.
func (g *greedy) step() {
	for _, id := range g.changed {
		g.marked[id] = false
		g.push(id)
	}
	g.changed = g.changed[:0]
	g.ends = append(g.ends, int32(len(g.order)))
}

// choose takes all that a candidate still lacks.
func (g *greedy) choose(id int32) {
	if a, ok := g.atom(id); ok {
		g.take(a)
	} else {
		for _, a := range g.p.atoms(id) {
			if !g.chosen[a] {
				g.take(a)
			}
		}
	}
	g.step()
}

// run chooses within a budget, first the forced candidates, as long as they fit.
func (g *greedy) run(budget int64, forced []int32) {
	g.reset()
	for _, id := range forced {
		if g.open(id, budget) {
			g.choose(id)
		}
	}
	g.forget()
	g.fill(budget)
	if !g.parts && budget < math.MaxInt64 {
		g.parts = true
		g.fill(budget)
		g.parts = false
	}
}

// fill chooses from all candidates for as long as something fits.
func (g *greedy) fill(budget int64) {
	g.pushAll(budget)
	misfits := 0
	for len(g.queue.heap) > 0 {
		if id := g.queue.pop(); g.open(id, budget) {
			g.choose(id)
			continue
		} // it comes back, should it become cheaper
		if misfits++; misfits > manyMisfits && misfits > len(g.queue.heap)/4 {
			misfits = 0
			g.queue.keep(func(id int32) bool { return g.open(id, budget) })
		}
	}
}

// manyMisfits is how many candidates are looked at one by one that do not fit in
// what is left of a budget, before all that do not are dropped.
const manyMisfits = 4096

// pushAll puts the candidates that fit in the budget into the queue.
func (g *greedy) pushAll(budget int64) {
	n := g.p.itemCount()
	if g.parts {
		n = g.p.candidates()
		g.findShares()
	}
	g.queue.grow(n)
	for id := range int32(n) {
		if g.open(id, budget) {
			g.push(id)
		}
	}
}

// findShares finds what single atoms gain, once.
func (g *greedy) findShares() {
	if g.share != nil {
		return
	}
	p := g.p
	g.share = make([]float64, p.atomCount())
	for i := range p.whole {
		for _, a := range p.atoms(int32(i)) {
			g.share[a] += p.part[i] * float64(p.sectors[a]) / float64(p.size[i])
		}
	}
}

package reread

import "math"

// greedy chooses again and again what wins most for its cost. Costs and gains
// of what is left change with every choice (shared atoms are paid for once,
// atoms near chosen ones need no seek), so they are kept as they change, and the
// queue holds for every candidate the entry of its last change.
type greedy struct {
	p       *problem
	power   float64 // what wins v and costs c is worth v / c^power
	parts   bool    // candidates are also single atoms, for the share they gain
	banned  []bool  // items that must not be chosen; nil for none
	allowed []bool  // atoms that may be chosen; nil for all

	chosen  []bool
	missing []int32 // atoms of each item that are not chosen
	left    []int64 // what they would cost
	got     []int64 // sectors of each item that are chosen
	cost    int64
	value   float64

	key   []float64 // of each candidate; -1 where it is none (any more)
	queue []entry

	marked  []bool // candidates whose key must be found again
	changed []int32

	order []int32 // atoms as they were chosen
	ends  []int32 // where in order each step ends
	won   []int32 // items as they became whole
	wins  []int32 // where in won each step ends
}

// entry is a candidate in the queue: an item, or (from the number of items) an
// atom.
type entry struct {
	key float64
	id  int32
}

func newGreedy(p *problem) *greedy {
	n := p.itemCount() + p.atomCount()
	return &greedy{p: p, power: 1, chosen: make([]bool, p.atomCount()), missing: make([]int32, p.itemCount()),
		left: make([]int64, p.itemCount()), got: make([]int64, p.itemCount()), key: make([]float64, n), marked: make([]bool, n)}
}

// reset forgets all choices.
func (g *greedy) reset() {
	p := g.p
	clear(g.chosen)
	clear(g.got)
	g.cost, g.value = 0, 0
	g.queue, g.order, g.ends, g.won, g.wins = g.queue[:0], g.order[:0], g.ends[:0], g.won[:0], g.wins[:0]
	for i := range p.whole {
		list := p.atoms(int32(i))
		g.missing[i] = int32(len(list))
		var sum int64
		for k, a := range list {
			sum += p.cost[a] + p.seek
			if k > 0 && list[k-1] == a-1 {
				sum -= p.link[a-1]
			}
		}
		g.left[i] = sum
	}
}

// gain is what choosing a candidate wins now.
func (g *greedy) gain(id int32) (gain float64, cost int64) {
	p := g.p
	if n := int32(p.itemCount()); id >= n {
		a := id - n
		if g.chosen[a] || g.allowed != nil && !g.allowed[a] {
			return 0, 0
		}
		for _, i := range p.items(a) {
			gain += p.part[i] * float64(p.sectors[a]) / float64(p.size[i])
		}
		return gain, g.atomCost(a)
	}
	if g.missing[id] == 0 || g.banned != nil && g.banned[id] {
		return 0, 0
	}
	return p.whole[id] - p.worth(id, g.got[id]), g.left[id]
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

// push puts a candidate into the queue as it now stands.
func (g *greedy) push(id int32) {
	gain, cost := g.gain(id)
	if gain <= 0 {
		g.key[id] = -1
		return
	}
	c := float64(max(cost, 1))
	switch g.power {
	case 1:
	case 0:
		c = 1
	case 0.5:
		c = math.Sqrt(c)
	default:
		c = math.Pow(c, g.power)
	}
	g.key[id] = gain / c
	g.queue = append(g.queue, entry{g.key[id], id})
	g.up(len(g.queue) - 1)
}

// before orders the queue: the highest key, then the lowest number, so that the
// order depends on nothing else.
func (e entry) before(f entry) bool { return e.key > f.key || e.key == f.key && e.id < f.id }

func (g *greedy) up(i int) {
	q := g.queue
	e := q[i]
	for i > 0 {
		up := (i - 1) / 2
		if !e.before(q[up]) {
			break
		}
		q[i] = q[up]
		i = up
	}
	q[i] = e
}

func (g *greedy) pop() entry {
	q := g.queue
	top, e := q[0], q[len(q)-1]
	q = q[:len(q)-1]
	g.queue = q
	if len(q) == 0 {
		return top
	}
	i := 0
	for {
		k := 2*i + 1
		if k >= len(q) {
			break
		}
		if k+1 < len(q) && q[k+1].before(q[k]) {
			k++
		}
		if !q[k].before(e) {
			break
		}
		q[i] = q[k]
		i = k
	}
	q[i] = e
	return top
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
		before := p.worth(i, g.got[i])
		g.got[i] += p.sectors[a]
		g.missing[i]--
		g.left[i] -= p.cost[a] + p.seek
		if g.missing[i] == 0 {
			g.got[i] = p.size[i]
			g.won = append(g.won, i)
		}
		g.value += p.worth(i, g.got[i]) - before
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
			g.left[i] += link
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
		g.left[i] -= link
		g.mark(i)
	}
	if g.parts {
		g.mark(int32(p.itemCount()) + neighbour)
	}
}

// settle puts all that changed back into the queue, and ends a step.
func (g *greedy) settle() {
	for _, id := range g.changed {
		g.marked[id] = false
		g.push(id)
	}
	g.changed = g.changed[:0]
}

func (g *greedy) step() {
	g.settle()
	g.ends = append(g.ends, int32(len(g.order)))
	g.wins = append(g.wins, int32(len(g.won)))
}

// choose takes all that a candidate still lacks.
func (g *greedy) choose(id int32) {
	if n := int32(g.p.itemCount()); id >= n {
		g.take(id - n)
	} else {
		for _, a := range g.p.atoms(id) {
			if !g.chosen[a] {
				g.take(a)
			}
		}
	}
	g.step()
}

// run chooses within a budget, first the forced items, as long as they fit.
func (g *greedy) run(budget int64, forced []int32) {
	g.reset()
	for _, i := range forced {
		if g.missing[i] > 0 && g.left[i] <= budget-g.cost {
			g.choose(i)
		}
	}
	g.queue = g.queue[:0]
	for i := range g.p.whole {
		g.push(int32(i))
	}
	parts := g.parts
	if parts {
		g.pushAtoms()
	}
	g.drain(budget)
	if !parts && budget < math.MaxInt64 {
		g.parts = true
		g.pushAtoms()
		g.drain(budget)
		g.parts = false
	}
}

func (g *greedy) pushAtoms() {
	for a := range g.p.cost {
		g.push(int32(g.p.itemCount() + a))
	}
}

func (g *greedy) drain(budget int64) {
	for len(g.queue) > 0 {
		e := g.pop()
		if g.key[e.id] != e.key {
			continue
		}
		g.key[e.id] = -1
		gain, cost := g.gain(e.id)
		if gain <= 0 || cost > budget-g.cost {
			continue // should it become cheaper, it comes back
		}
		g.choose(e.id)
	}
}

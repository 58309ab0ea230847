package reread

import "slices"

// solution is a set of atoms.
type solution struct {
	chosen []bool
	value  float64
	cost   int64

	order, ends []int32 // as the greedy run that found it chose them
}

// tries is how many greedy runs a problem of a size may take: many where they
// cost nothing, a few for a large drive.
func tries(p *problem) int {
	return min(max(3_000_000/(len(p.itemAtoms)+p.itemCount()+1), fewestTries), 600)
}

// fewestTries is how many runs the largest problem gets: the first of the ways.
const fewestTries = 1

// ways are how greedy runs weigh cost, and whether they choose single atoms for
// the share that these win. The first is the best of them for large problems, by
// far where files lie in many ranges.
var ways = [...]struct {
	power float64
	parts bool
}{{1, true}, {1, false}, {0.5, false}, {0.5, true}, {0, false}, {0.8, true}, {1.3, true}}

// solve finds a set of atoms that wins much within a budget. One greedy run may
// be led astray by what is cheap and fills the budget badly, so several are made
// that weigh cost differently, and then the best is improved: all of it where the
// problem is small, else what it chose last.
func solve(p *problem, budget int64, runs int) solution {
	s := newSearch(p, budget, runs)
	s.improve()
	if s.runs <= 0 {
		s.end()
	}
	s.best.order, s.best.ends = nil, nil
	return s.best
}

// search is the way to a solution.
type search struct {
	p      *problem
	budget int64
	runs   int // that are left
	g      *greedy
	forced []int32 // candidates that are chosen first
	best   solution
}

func newSearch(p *problem, budget int64, runs int) *search {
	s := &search{p: p, budget: budget, runs: runs, g: newGreedy(p)}
	s.best.chosen = make([]bool, p.atomCount())
	won := ways[0]
	for _, w := range ways {
		if s.runs == 0 {
			break
		}
		s.g.power, s.g.parts = w.power, w.parts
		if s.try() {
			won = w
		}
	}
	s.g.power, s.g.parts = won.power, won.parts
	return s
}

// try makes a greedy run, and reports whether it is the best so far.
func (s *search) try() bool {
	s.runs--
	s.g.run(s.budget, s.forced)
	return s.keep()
}

// keep makes what the greedy run holds the best, if it is.
func (s *search) keep() bool {
	g, b := s.g, &s.best
	if g.value <= b.value+1e-9 {
		return false
	}
	b.value, b.cost = g.value, g.cost
	copy(b.chosen, g.chosen)
	b.order, b.ends = append(b.order[:0], g.order...), append(b.ends[:0], g.ends...)
	return true
}

// improve leaves a candidate out or puts one first, and chooses the rest anew, for
// as long as that wins; where no such move does, two are made at once.
func (s *search) improve() {
	s.g.banned = make([]bool, s.p.candidates())
	for s.single() || s.double() {
	}
	s.g.banned = nil
}

// single makes each move there is, and reports whether any won.
func (s *search) single() (won bool) {
	for id := int32(0); int(id) < s.p.candidates() && s.runs > 0; id++ {
		if s.g.banned[id] || s.has(id) {
			won = s.turn(id) || won
		} else {
			won = s.first(id) || won
		}
	}
	return won
}

// double makes two moves at once, until they win.
func (s *search) double() bool {
	for a := int32(0); int(a) < s.p.candidates(); a++ {
		for b := int32(0); int(b) < s.p.candidates() && s.runs > 0; b++ {
			if a != b && (a < b && s.first(a, b) || s.turn(a, b)) {
				return true
			}
		}
	}
	return false
}

// turn leaves out a candidate, or lets it in again, and puts others first. What
// wins nothing is taken back.
func (s *search) turn(id int32, others ...int32) bool {
	s.g.banned[id] = !s.g.banned[id]
	if s.first(others...) {
		return true
	}
	s.g.banned[id] = !s.g.banned[id]
	return false
}

// first puts candidates before all others. What wins nothing is taken back.
func (s *search) first(ids ...int32) bool {
	forced := s.forced
	s.forced = append(forced[:len(forced):len(forced)], ids...)
	if s.try() {
		return true
	}
	s.forced = forced
	return false
}

// has reports whether the best solution has all of a candidate.
func (s *search) has(id int32) bool {
	if n := int32(s.p.itemCount()); id >= n {
		return s.best.chosen[id-n]
	}
	return !slices.ContainsFunc(s.p.atoms(id), func(a int32) bool { return !s.best.chosen[a] })
}

// What a solution chose last is chosen anew from so many items, atoms of theirs,
// and entries of items in atoms.
const (
	endItems   = 256
	endAtoms   = 4096
	endEntries = 1 << 16
)

// end takes back what was chosen last, and chooses it anew from what would come
// next: a small problem, for which there are many runs.
func (s *search) end() {
	g, order, ends := s.g, s.best.order, s.best.ends
	kept, from := len(ends), len(order)
	for kept > 0 && len(ends)-kept < endItems/2 && len(order)-from < endAtoms {
		if kept, from = kept-1, 0; kept > 0 {
			from = int(ends[kept-1])
		}
	}
	g.reset()
	for _, a := range order[:from] {
		g.take(a)
	}
	g.forget()
	atoms := append(slices.Clone(order[from:]), g.next(s.budget)...)
	slices.Sort(atoms)
	atoms = slices.Compact(atoms)
	p := g.rest(atoms)
	small := newSearch(p, s.budget-g.cost, tries(p))
	small.improve()
	for k, ok := range small.best.chosen {
		if ok {
			g.take(atoms[k])
		}
	}
	g.step()
	g.power, g.parts = 1, true
	g.fill(s.budget)
	s.keep()
}

// next are the atoms of what would be chosen next: of what wins most for its
// cost, and of what wins most.
func (g *greedy) next(budget int64) (atoms []int32) {
	items := int32(g.p.itemCount())
	g.parts = true
	for _, power := range [...]float64{1, 0} {
		g.power = power
		g.pushAll(budget)
		for n := 0; n < endItems && len(g.queue.heap) > 0; n++ {
			id := g.queue.pop()
			if id >= items {
				atoms = append(atoms, id-items)
				continue
			}
			if len(atoms)+int(g.items[id].missing) > 2*endAtoms {
				continue
			}
			for _, a := range g.p.atoms(id) {
				if !g.chosen[a] {
					atoms = append(atoms, a)
				}
			}
		}
		g.queue.clear()
	}
	return atoms
}

// rest is the problem of choosing from some of the atoms that are not chosen.
func (g *greedy) rest(atoms []int32) *problem {
	p := g.p
	r := &problem{seek: p.seek, itemAt: []int32{0}}
	number := make(map[int32]int32, len(atoms))
	var items []int32
	for k, a := range atoms {
		number[a] = int32(k)
		r.sectors = append(r.sectors, p.sectors[a])
		r.cost = append(r.cost, g.atomCost(a)-p.seek) // less where it joins a chosen one
		link := int64(0)
		if k+1 < len(atoms) && atoms[k+1] == a+1 {
			link = p.link[a]
		}
		r.link = append(r.link, link)
		list := p.items(a)
		items = append(items, list[:min(len(list), endEntries-len(items))]...)
	}
	slices.Sort(items)
	for _, i := range slices.Compact(items) {
		n, sectors := int32(0), int64(0)
		for _, a := range p.atoms(i) {
			if k, ok := number[a]; ok {
				r.itemAtoms = append(r.itemAtoms, k)
				n++
				sectors += p.sectors[a]
			}
		}
		r.itemAt = append(r.itemAt, int32(len(r.itemAtoms)))
		part := p.part[i] * float64(sectors) / float64(p.size[i])
		whole := part
		if n == g.items[i].missing {
			whole = p.whole[i] - p.worth(i, g.items[i].got)
		}
		r.whole, r.part = append(r.whole, whole), append(r.part, part)
	}
	r.index()
	return r
}

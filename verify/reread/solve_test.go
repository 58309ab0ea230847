package reread

import (
	"math/rand/v2"
	"testing"
)

// random makes a small problem.
func random(rnd *rand.Rand) *problem { return made(rnd, 2+rnd.IntN(13), 1+rnd.IntN(12)) }

// made makes a problem as drives have them: files of a few ranges, ranges shared,
// neighbours near each other, failed ranges dear.
func made(rnd *rand.Rand, atoms, items int) *problem {
	p := &problem{seek: 20, itemAt: []int32{0}, link: make([]int64, atoms)}
	for a := range atoms {
		n := 1 + rnd.Int64N(30)
		p.sectors = append(p.sectors, n)
		each := int64(1)
		if rnd.IntN(3) == 0 {
			each = 25
		}
		p.cost = append(p.cost, n*each)
		if a+1 < atoms && rnd.IntN(2) == 0 {
			p.link[a] = 1 + rnd.Int64N(20)
		}
	}
	for range items {
		n := 0
		for a := range atoms {
			if rnd.IntN(atoms) < 2 {
				p.itemAtoms = append(p.itemAtoms, int32(a))
				n++
			}
		}
		if n == 0 {
			p.itemAtoms = append(p.itemAtoms, rnd.Int32N(int32(atoms)))
		}
		p.itemAt = append(p.itemAt, int32(len(p.itemAtoms)))
		w := float64(1 + rnd.IntN(20))
		p.whole = append(p.whole, w)
		p.part = append(p.part, w*[]float64{0, 0.05, 0.3, 0.8}[rnd.IntN(4)])
	}
	p.index()
	return p
}

// exhaustive is the best value of all sets of atoms within a budget.
func exhaustive(p *problem, budget int64) float64 {
	best := 0.0
	chosen := make([]bool, p.atomCount())
	for set := range 1 << p.atomCount() {
		for a := range chosen {
			chosen[a] = set>>a&1 == 1
		}
		if p.costOf(chosen) <= budget {
			best = max(best, p.valueOf(chosen))
		}
	}
	return best
}

// The plan's value within a budget against exhaustive search: with the runs
// that so small a case gets, and with the few that the largest drive gets.
func TestSolveAgainstExhaustive(t *testing.T) {
	for _, c := range []struct {
		name string
		runs func(*problem) int
	}{{"small", tries}, {"as for the largest", func(*problem) int { return fewestTries }}} {
		rnd := rand.New(rand.NewPCG(9, 1))
		sum, worst, cases := 0.0, 1.0, 0
		for range 1000 {
			p := random(rnd)
			all := make([]bool, p.atomCount())
			for a := range all {
				all[a] = true
			}
			budget := 1 + rnd.Int64N(p.costOf(all))
			best := exhaustive(p, budget)
			s := solve(p, budget, c.runs(p))
			if got := p.costOf(s.chosen); got != s.cost || got > budget {
				t.Fatalf("cost %d, kept as %d, budget %d", got, s.cost, budget)
			}
			if got := p.valueOf(s.chosen); got > s.value+1e-6 || got < s.value-1e-6 {
				t.Fatalf("value %g, kept as %g", got, s.value)
			}
			if best == 0 {
				continue
			}
			r := s.value / best
			sum, worst, cases = sum+r, min(worst, r), cases+1
		}
		mean := sum / float64(cases)
		t.Logf("%s: %d cases to 14 ranges: mean %.4f of the optimum, worst %.4f", c.name, cases, mean, worst)
		if mean < 0.97 || worst < 0.85 {
			t.Errorf("%s: mean %.4f, worst %.4f; want 0.97 and 0.85", c.name, mean, worst)
		}
	}
}

// A problem too large to be searched gets few runs, and its end is chosen anew:
// its value against that with so many runs that all of it can be improved.
func TestSolveFew(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 9))
	sum, worst, cases := 0.0, 1.0, 10
	for range cases {
		p := made(rnd, 300, 200)
		all := make([]bool, p.atomCount())
		for a := range all {
			all[a] = true
		}
		budget := int64(float64(p.costOf(all)) * (0.01 + rnd.Float64()/3))
		few, many := solve(p, budget, fewestTries), solve(p, budget, 1000)
		if got := p.costOf(few.chosen); got != few.cost || got > budget {
			t.Fatalf("cost %d, kept as %d, budget %d", got, few.cost, budget)
		}
		if got := p.valueOf(few.chosen); got > few.value+1e-6 || got < few.value-1e-6 {
			t.Fatalf("value %g, kept as %g", got, few.value)
		}
		r := few.value / max(many.value, 1e-9)
		sum, worst = sum+r, min(worst, r)
	}
	t.Logf("%d cases of 300 ranges: with %d run mean %.4f of what 1000 reach, worst %.4f", cases, fewestTries, sum/float64(cases), worst)
	if worst < 0.97 {
		t.Errorf("worst %.4f; want 0.97", worst)
	}
}

// What a greedy run keeps as it goes is what a count from scratch gives.
func TestGreedyKeepsCosts(t *testing.T) {
	rnd := rand.New(rand.NewPCG(4, 4))
	for range 300 {
		p := random(rnd)
		g := newGreedy(p)
		g.reset()
		for range p.atomCount() {
			a := rnd.Int32N(int32(p.atomCount()))
			if !g.chosen[a] {
				g.take(a)
			}
			for i := range p.whole {
				with := append([]bool(nil), g.chosen...)
				for _, a := range p.atoms(int32(i)) {
					with[a] = true
				}
				if want := p.costOf(with) - p.costOf(g.chosen); g.items[i].left != want {
					t.Fatalf("item %d costs %d, kept as %d", i, want, g.items[i].left)
				}
			}
		}
	}
}

// costOf is the cost of reading a set of atoms in one sweep.
func (p *problem) costOf(chosen []bool) int64 {
	var sum int64
	for a, ok := range chosen {
		if ok {
			sum += p.cost[a] + p.seek
			if a > 0 && chosen[a-1] {
				sum -= p.link[a-1]
			}
		}
	}
	return sum
}

// valueOf is what a set of atoms wins.
func (p *problem) valueOf(chosen []bool) float64 {
	sum := 0.0
	for i := range p.whole {
		var got int64
		for _, a := range p.atoms(int32(i)) {
			if chosen[a] {
				got += p.sectors[a]
			}
		}
		sum += p.worth(int32(i), got)
	}
	return sum
}

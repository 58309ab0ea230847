package reread

// solution is a set of atoms.
type solution struct {
	chosen []bool
	value  float64
	cost   int64
}

// tries is how many greedy runs a problem of a size may take: many where they
// cost nothing, a few for a large drive.
func tries(p *problem) int {
	return min(max(3_000_000/(len(p.itemAtoms)+p.itemCount()+1), fewestTries), 600)
}

// fewestTries is how many runs the largest problem gets. The larger it is, the
// less a single item counts, and the nearer one run comes to the best.
const fewestTries = 1

// solve finds a set of atoms that wins much within a budget. One greedy run may
// be led astray by what is cheap and fills the budget badly, so several are made
// that weigh cost differently, and then the best is improved: an item is left
// out or put first, and the rest chosen anew, for as long as that wins.
func solve(p *problem, budget int64, runs int) solution {
	g := newGreedy(p)
	best := solution{chosen: make([]bool, p.atomCount())}
	try := func(forced []int32) bool {
		runs--
		g.run(budget, forced)
		if g.value <= best.value+1e-9 {
			return false
		}
		best.value, best.cost = g.value, g.cost
		copy(best.chosen, g.chosen)
		return true
	}
	type way struct {
		power float64
		parts bool
	}
	won := way{1, false}
	for _, w := range []way{{1, false}, {1, true}, {0.5, false}, {0.5, true}, {0, false}, {0.8, true}, {1.3, true}} {
		if runs <= 0 {
			break
		}
		g.power, g.parts = w.power, w.parts
		if try(nil) {
			won = w
		}
	}
	g.power, g.parts = won.power, won.parts
	g.banned = make([]bool, p.itemCount())
	var forced []int32
	for improved := true; improved && runs > 0; {
		improved = false
		for i := 0; i < p.itemCount() && runs > 0; i++ {
			item := int32(i)
			if g.banned[item] {
				g.banned[item] = false
				if try(forced) {
					improved = true
				} else {
					g.banned[item] = true
				}
				continue
			}
			if whole(p, item, best.chosen) {
				g.banned[item] = true
				if try(forced) {
					improved = true
				} else {
					g.banned[item] = false
				}
				continue
			}
			list := append(forced[:len(forced):len(forced)], item)
			if try(list) {
				improved, forced = true, list
			}
		}
	}
	return best
}

func whole(p *problem, item int32, chosen []bool) bool {
	for _, a := range p.atoms(item) {
		if !chosen[a] {
			return false
		}
	}
	return true
}

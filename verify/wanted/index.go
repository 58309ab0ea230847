package wanted

import (
	"cmp"
	"slices"
	"strings"
)

// index finds the rules for a file without asking all: those for one path or
// one name by it. What a page saves has a line for each file.
type index struct {
	paths, names map[string][]int32 // rules of one path or name alone, in order
	others       []int32            // all other rules, in order
	under        []place            // rules of one path on any volume, by path
	most         []peak             // of under and of the rules of one name, in order of the list
	nameMost     []peak             // of the latter alone
}

// place is a rule of one path.
type place struct {
	path string
	rule int32
}

// peak is the most that rules up to one of them weigh.
type peak struct {
	rule   int32
	weight float64
}

// newIndex leaves out what is never asked and weighs no more: a second rule of a
// path or name behind one without conditions.
func newIndex(rules []rule) index {
	x := index{paths: map[string][]int32{}, names: map[string][]int32{}}
	for i := range rules {
		r, n := &rules[i], int32(i)
		text, one := "", false
		if r.pattern != nil {
			text, one = r.pattern.Literal()
		}
		if !one || r.volume != 0 {
			x.others = append(x.others, n)
			continue
		}
		at := x.paths
		if r.name {
			at = x.names
		}
		had := at[text]
		if len(had) > 0 {
			if o := &rules[had[len(had)-1]]; o.plain() && o.weight >= r.weight {
				continue
			}
		}
		at[text] = append(had, n)
		x.most = rise(x.most, n, r.weight)
		if r.name {
			x.nameMost = rise(x.nameMost, n, r.weight)
		} else {
			x.under = append(x.under, place{text, n})
		}
	}
	slices.SortFunc(x.under, func(a, b place) int { return cmp.Or(strings.Compare(a.path, b.path), cmp.Compare(a.rule, b.rule)) })
	return x
}

// rise adds a rule to peaks where it weighs more than those before.
func rise(peaks []peak, rule int32, weight float64) []peak {
	if len(peaks) > 0 && peaks[len(peaks)-1].weight >= weight {
		return peaks
	}
	return append(peaks, peak{rule, weight})
}

// before is the most that the rules before one weigh.
func before(peaks []peak, rule int32) float64 {
	i, _ := slices.BinarySearchFunc(peaks, rule, func(p peak, rule int32) int { return cmp.Compare(p.rule, rule) })
	if i == 0 {
		return 0
	}
	return peaks[i-1].weight
}

// leads is the most that the rules of one path or name before a rule weigh, of
// those that may fit below a folder.
func (x *index) leads(rules []rule, folder string, rule int32) float64 {
	if folder == "" {
		return before(x.most, rule)
	}
	most := before(x.nameMost, rule)
	folder += "/"
	from, _ := slices.BinarySearchFunc(x.under, folder, func(p place, folder string) int { return strings.Compare(p.path, folder) })
	for _, p := range x.under[from:] {
		if !strings.HasPrefix(p.path, folder) {
			break
		}
		if p.rule < rule {
			most = max(most, rules[p.rule].weight)
		}
	}
	return most
}

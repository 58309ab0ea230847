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
	under        []place            // rules of one path, by path
	most         map[int][]peak     // by volume, of rules of one path or name, in order
	nameMost     map[int][]peak     // of those of one name
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

// add adds a rule to the end of the list, but for one that is never asked and
// weighs no more: a second one of a path or name behind one without conditions.
func (l *List) add(r rule) {
	n := int32(len(l.rules))
	text, one := "", false
	if r.pattern != nil {
		text, one = r.pattern.Literal()
	}
	if !one {
		l.others = append(l.others, n)
		l.rules = append(l.rules, r)
		return
	}
	if l.paths == nil {
		l.paths, l.names = map[string][]int32{}, map[string][]int32{}
		l.most, l.nameMost = map[int][]peak{}, map[int][]peak{}
	}
	at := l.paths
	if r.name {
		at = l.names
	}
	had := at[text]
	if len(had) > 0 {
		if o := &l.rules[had[len(had)-1]]; o.plain() && (o.volume == 0 || o.volume == r.volume) && o.weight >= r.weight {
			return
		}
	}
	l.rules = append(l.rules, r)
	at[text] = append(had, n)
	rise(l.most, r.volume, n, r.weight)
	if r.name {
		rise(l.nameMost, r.volume, n, r.weight)
	} else {
		l.under = append(l.under, place{text, n})
	}
}

// settle makes the index ready when all rules are added.
func (x *index) settle() {
	slices.SortFunc(x.under, func(a, b place) int { return cmp.Or(strings.Compare(a.path, b.path), cmp.Compare(a.rule, b.rule)) })
}

// rise adds a rule to the peaks of a volume where it weighs more than those
// before.
func rise(peaks map[int][]peak, volume int, rule int32, weight float64) {
	p := peaks[volume]
	if len(p) == 0 || p[len(p)-1].weight < weight {
		peaks[volume] = append(p, peak{rule, weight})
	}
}

// before is the most that the rules before one weigh, of those for a volume or
// for all; volume 0 is any.
func before(peaks map[int][]peak, volume int, rule int32) float64 {
	most := 0.0
	of := func(p []peak) {
		i, _ := slices.BinarySearchFunc(p, rule, func(p peak, rule int32) int { return cmp.Compare(p.rule, rule) })
		if i > 0 {
			most = max(most, p[i-1].weight)
		}
	}
	if volume != 0 {
		of(peaks[0])
		of(peaks[volume])
		return most
	}
	for _, p := range peaks {
		of(p)
	}
	return most
}

// leads is the most that the rules of one path or name before a rule weigh, of
// those that may fit below a folder.
func (x *index) leads(rules []rule, volume int, folder string, rule int32) float64 {
	if folder == "" {
		return before(x.most, volume, rule)
	}
	most := before(x.nameMost, volume, rule)
	folder += "/"
	from, _ := slices.BinarySearchFunc(x.under, folder, func(p place, folder string) int { return strings.Compare(p.path, folder) })
	for _, p := range x.under[from:] {
		if !strings.HasPrefix(p.path, folder) {
			break
		}
		if r := &rules[p.rule]; p.rule < rule && (r.volume == 0 || volume == 0 || r.volume == volume) {
			most = max(most, r.weight)
		}
	}
	return most
}

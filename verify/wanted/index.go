package wanted

import (
	"cmp"
	"iter"
	"slices"
	"strings"
)

// index finds the rules that may fit a path, so that a list of very many paths
// costs no more than one of few. All its lists are rules by number, in order,
// but for byUnder.
type index struct {
	any     []int32            // that may fit anything
	names   map[string][]int32 // that fit one name, wherever it stands
	heavy   []int32            // of those, the ones that no earlier one outweighs
	under   map[string][]int32 // that fit a path, or what lies below it
	byUnder []int32            // the same, by that path
	paths   []string           // of byUnder
}

func indexed(rules []rule) index {
	x := index{names: map[string][]int32{}, under: map[string][]int32{}}
	under := make([]string, len(rules))
	most := map[int]float64{} // of the names, by volume
	for i := range rules {
		r, n := &rules[i], int32(i)
		only := false
		if r.pattern != nil {
			under[i], only = r.pattern.Under()
		}
		switch {
		case r.name && only:
			x.names[under[i]] = append(x.names[under[i]], n)
			if w, ok := most[r.volume]; !ok || r.weight > w {
				most[r.volume] = r.weight
				x.heavy = append(x.heavy, n)
			}
		case r.name || under[i] == "":
			x.any = append(x.any, n)
		default:
			x.under[under[i]] = append(x.under[under[i]], n)
			x.byUnder = append(x.byUnder, n)
		}
	}
	slices.SortStableFunc(x.byUnder, func(a, b int32) int { return cmp.Compare(under[a], under[b]) })
	x.paths = make([]string, len(x.byUnder))
	for i, n := range x.byUnder {
		x.paths[i] = under[n]
	}
	return x
}

// of yields the lists of rules that may fit a path whose last name is name.
func (x *index) of(path, name string) iter.Seq[[]int32] {
	return func(yield func([]int32) bool) {
		if !yield(x.any) || !yield(x.names[name]) || len(x.under) == 0 {
			return
		}
		for i := range len(path) {
			if path[i] == '/' && !yield(x.under[path[:i]]) {
				return
			}
		}
		yield(x.under[path])
	}
}

// leads yields the lists of rules that may fit something below a folder: of
// those that fit one name, which any file may have, only what could weigh most.
func (x *index) leads(folder string) iter.Seq[[]int32] {
	return func(yield func([]int32) bool) {
		if !yield(x.heavy) {
			return
		}
		for list := range x.of(folder, "") {
			if !yield(list) {
				return
			}
		}
		if folder != "" {
			folder += "/"
		}
		from, _ := slices.BinarySearch(x.paths, folder)
		to := from
		for to < len(x.paths) && strings.HasPrefix(x.paths[to], folder) {
			to++
		}
		yield(x.byUnder[from:to])
	}
}

package imap

// Merge is the map of a drive after two passes over it: each byte has the best
// state that either gives it, Read before Doubtful before Failed before
// Skipped. Failed comes before Skipped here, since a place that any pass has
// tried is no longer untried; neither is ever read. It costs O(n + m).
//
// The merged map is true of an image only if both passes wrote into it.
func Merge(a, b *Map) *Map {
	m, _ := merge(a, b)
	return m
}

// Gain is what one of several passes contributes.
type Gain struct {
	Has   Tally // bytes by state in the pass itself, up to where it ends
	Added Tally // bytes that first had a better state by this pass, by that state
}

// MergeAll merges the maps of several passes, and counts what each added to
// those before it.
func MergeAll(passes ...*Map) (*Map, []Gain) {
	out := &Map{}
	gains := make([]Gain, len(passes))
	for i, p := range passes {
		gains[i].Has = p.Tally(0, p.end)
		out, gains[i].Added = merge(out, p)
	}
	return out, gains
}

// worth orders states by what is known of a place, the best first.
func worth(s State) int {
	switch s {
	case Read:
		return 0
	case Doubtful:
		return 1
	case Failed:
		return 2
	}
	return 3
}

func merge(a, b *Map) (*Map, Tally) {
	out := &Map{}
	out.list.Grow(max(a.Len(), b.Len()))
	var added Tally
	end := max(a.end, b.end)
	x, y := cursor{m: a}, cursor{m: b}
	for pos := int64(0); pos < end; {
		s, next := x.at(pos, end)
		t, next := y.at(pos, next)
		if worth(t) < worth(s) {
			s = t
			added[t] += next - pos
		}
		out.emit(Range{pos, next - pos, s})
		pos = next
	}
	return out, added
}

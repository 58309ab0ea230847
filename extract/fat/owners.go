package fat

import (
	"fmt"
	"strings"

	"fileassay/extract/ranges"
)

// rank is whose turn it is to claim clusters. What comes later never counts
// against what came before, so that one entry that cannot be vouched for takes
// nothing from those that can.
type rank uint8

const (
	byRoot    rank = iota // what hangs from the root
	byDoubted             // what hangs from the root by an entry or a folder in doubt
	byLost                // what hangs from nothing
	byLostDoubted
	ranks
)

// doubted is the rank of what is in doubt among those of a rank.
func (r rank) doubted() rank { return r | 1 }

// proves reports whether what has the rank counts against what comes later.
func (r rank) proves() bool { return r&1 == 0 }

// claimed are the clusters of what has one rank.
type claimed struct {
	set
	shared set // those that two have
}

// owners says which clusters are claimed, and by how many. A first walk over
// the volume claims what every file and folder has; in the second, when all
// that is claimed twice is known, their content is located.
type owners struct {
	*chains
	by     [ranks]claimed
	turn   rank
	excess set // the rest of chains that are longer than their file
	tails  []tail
	longer map[tail]rest

	words   int64 // left to be spent on runs without a table
	overrun bool  // more is claimed, over and over, than makes sense
}

// tail is where a chain goes on past the end of its file.
type tail struct {
	c     uint32 // the last cluster of the content, or the first of an empty file
	empty bool
}

// rest is what a chain has past the end of its file that nothing else claims.
type rest struct {
	n    int64
	runs []ranges.Range // the first of them
}

// maxNamed bounds the runs of clusters that a remark names.
const maxNamed = 8

// mine are the clusters that are claimed in this turn.
func (o *owners) mine() *claimed { return &o.by[o.turn] }

// taken reports whether something has claimed cluster c.
func (o *owners) taken(c uint32) bool {
	for i := range o.by {
		if o.by[i].has(c) {
			return true
		}
	}
	return o.excess.has(c)
}

// before reports whether cluster c is claimed by something that comes before
// this turn and is not in doubt.
func (o *owners) before(c uint32) bool {
	for r := range o.turn {
		if r.proves() && o.by[r].has(c) {
			return true
		}
	}
	return false
}

// contested reports whether cluster c is another's too.
func (o *owners) contested(c uint32) bool { return o.mine().shared.has(c) || o.before(c) }

// crossed reports whether two that are not in doubt claim a cluster.
func (o *owners) crossed() bool {
	for range o.by[byRoot].shared.all() {
		return true
	}
	return false
}

// cross notes that a chain which nothing names leads to cluster c: if that is
// another's too, nothing tells whose it is.
func (o *owners) cross(c uint32) {
	for i := range o.by {
		if o.by[i].has(c) {
			o.by[i].shared.add(c)
		}
	}
}

// claim follows a chain and takes its clusters.
func (o *owners) claim(first uint32, need, limit int64) followed {
	mine := o.mine()
	return o.follow(first, need, limit, func(c uint32, f *followed) stop {
		if o.before(c) {
			return stopShared
		}
		if mine.add(c) {
			return stopWhole
		}
		at := o.at(c)
		for _, r := range f.runs {
			if r.Start <= at && at < r.End {
				o.loops.add(f.at)
				return stopLoop
			}
		}
		mine.shared.add(c)
		return stopShared
	})
}

// claimRun takes n clusters from first, which need no table.
func (o *owners) claimRun(first uint32, n int64) {
	if o.words -= n/64 + 1; o.words < 0 {
		o.overrun = true
		return
	}
	o.mine().addRun(first, n, &o.mine().shared)
}

// claimFile takes the clusters of a file.
func (o *owners) claimFile(e *entry) {
	need := o.need(e.Size)
	switch {
	case need == 0:
		if e.Size == 0 && o.valid(e.First) && !e.Contiguous {
			// an empty file with clusters: they are all past its end
			o.tails = append(o.tails, tail{e.First, true})
		}
	case e.First == 0:
	case e.Contiguous:
		if n, ok := o.span(e.First, need); ok {
			o.claimRun(e.First, n)
		}
	default:
		f := o.claim(e.First, need, need)
		if f.stop == stopWhole && f.tail.Mark == markNext {
			o.tails = append(o.tails, tail{f.at, false})
		}
	}
}

// claimTails claims what chains have past their files' ends, once all that
// files have is claimed.
func (o *owners) claimTails() {
	for _, last := range o.tails {
		c := last.c
		if !last.empty {
			c = o.table.entry(c).Raw
		}
		var r rest
		for o.valid(c) && !o.taken(c) {
			e := o.table.entry(c)
			if !e.leads() {
				break
			}
			o.excess.add(c)
			r.n++
			if runs := ranges.Append(r.runs, o.run(c, 1)); len(runs) <= maxNamed {
				r.runs = runs
			}
			if e.Mark == markEnd || e.Disagree {
				break
			}
			c = e.Raw
		}
		o.longer[last] = r
	}
	o.tails = nil
}

// named names the clusters of the rest of a chain.
func (o *owners) named(r rest) string {
	var list []string
	for _, x := range r.runs {
		c, _ := o.of(x.Start)
		n := min(x.Len()/o.cluster, r.n)
		if r.n -= n; n == 1 {
			list = append(list, fmt.Sprint(c))
		} else {
			list = append(list, fmt.Sprintf("%d to %d", c, int64(c)+n-1))
		}
	}
	if r.n > 0 {
		list = append(list, fmt.Sprintf("%d more", r.n))
	}
	return strings.Join(list, ", ")
}

// locate follows the chain of a file, or takes its run, in the second walk.
func (o *owners) locate(e *entry) followed {
	need := o.need(e.Size)
	if !e.Contiguous {
		return o.follow(e.First, need, need, func(c uint32, _ *followed) stop {
			if o.contested(c) {
				return stopShared
			}
			return stopWhole
		})
	}
	n, ok := o.span(e.First, need)
	if !ok {
		return followed{stop: stopRange, raw: e.First}
	}
	f := followed{n: n, tail: value{Mark: markEnd}}
	if n < need {
		f.stop, f.raw = stopRange, o.clusters+firstCluster
	}
	if c, ok := o.firstIn(e.First, n, &o.mine().shared); ok {
		f.n, f.stop, f.at = int64(c-e.First), stopShared, c
	}
	f.runs = ranges.Append(nil, o.run(e.First, f.n))
	return f
}

// firstIn is the first of n clusters from first that is in a set, or claimed by
// something that comes before this turn and is not in doubt.
func (o *owners) firstIn(first uint32, n int64, s *set) (c uint32, ok bool) {
	c, ok = s.firstIn(first, n)
	for r := range o.turn {
		if k, also := o.by[r].firstIn(first, n); r.proves() && also && (!ok || k < c) {
			c, ok = k, true
		}
	}
	return c, ok
}

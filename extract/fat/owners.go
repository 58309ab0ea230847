package fat

import "fileassay/extract/ranges"

// owners says which clusters are claimed, and by how many. A first walk over
// the volume claims what every file and folder has; in the second, when all
// that is claimed twice is known, their content is located.
type owners struct {
	*chains
	claimed set  // by what hangs from the root
	found   set  // by what hangs from nothing
	late    bool // it is the turn of what hangs from nothing
	shared  set  // claimed twice
	excess  set  // the rest of chains that are longer than their file
	tails   []tail
	longer  map[tail]int64 // clusters past the end of a file

	words   int64 // left to be spent on runs without a table
	overrun bool  // more is claimed, over and over, than makes sense
}

// tail is where a chain goes on past the end of its file.
type tail struct {
	c     uint32 // the last cluster of the content, or the first of an empty file
	empty bool
}

// mine are the clusters that are claimed in this turn.
func (o *owners) mine() *set {
	if o.late {
		return &o.found
	}
	return &o.claimed
}

// taken reports whether something has claimed cluster c.
func (o *owners) taken(c uint32) bool {
	return o.claimed.has(c) || o.excess.has(c) || o.found.has(c)
}

// contested reports whether cluster c is another's too. What has a name keeps
// it: what hangs from nothing does not count against it.
func (o *owners) contested(c uint32) bool {
	return o.shared.has(c) || o.late && o.claimed.has(c)
}

// claim follows a chain and takes its clusters.
func (o *owners) claim(first uint32, need, limit int64) followed {
	mine := o.mine()
	return o.follow(first, need, limit, func(c uint32, f *followed) stop {
		if o.late && o.claimed.has(c) {
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
		o.shared.add(c)
		return stopShared
	})
}

// claimRun takes n clusters from first, which need no table.
func (o *owners) claimRun(first uint32, n int64) {
	if o.words -= n/64 + 1; o.words < 0 {
		o.overrun = true
		return
	}
	o.mine().addRun(first, n, &o.shared)
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
			v := o.table.entry(c).value
			if ch, ok := o.choices[c]; ok {
				v = ch.value
			}
			if v.Mark != markNext {
				continue
			}
			c = v.Raw
		}
		var n int64
		for o.valid(c) && !o.claimed.has(c) && o.excess.add(c) {
			n++
			e := o.table.entry(c)
			if e.Mark != markNext || e.Disagree {
				break
			}
			c = e.Raw
		}
		o.longer[last] = n
	}
	o.tails = nil
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
	if c, ok := o.firstContested(e.First, n); ok {
		f.n, f.stop, f.at = int64(c-e.First), stopShared, c
	}
	f.runs = ranges.Append(nil, o.run(e.First, f.n))
	return f
}

// firstContested is the first of n clusters from first that is contested.
func (o *owners) firstContested(first uint32, n int64) (c uint32, ok bool) {
	c, ok = o.shared.firstIn(first, n)
	if o.late {
		if k, also := o.claimed.firstIn(first, n); also && (!ok || k < c) {
			return k, true
		}
	}
	return c, ok
}

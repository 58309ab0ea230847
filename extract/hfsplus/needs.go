package hfsplus

import (
	"cmp"
	"slices"
	"sort"

	"fileassay/extract/needs"
	"fileassay/extract/ranges"
)

// gate is an unread node of a tree that index nodes lead to: records whose
// keys begin with a number of [lo, hi] may stand in it or below it.
type gate struct {
	lo, hi uint32
	node   uint32
}

// gates are the unread nodes of a tree that what was read of it points to, so
// that what is wanted can be read without the rest of the tree.
type gates struct {
	list []gate // in order; each begins where the one before it ends, or later
	top  bool   // the header, or a part of an index node, is unread: it gates all
	wide []uint32
}

// findGates follows the tree from its root as far as it was read.
func (t *tree) findGates() {
	g := &t.gates
	if t.unreadNodes+t.partNodes+t.badNodes == 0 && t.headerOK && !t.fork.gaps {
		return
	}
	if !t.headerOK {
		g.top = true
		return
	}
	type step struct {
		gate
		height int
	}
	seen := map[uint32]bool{}
	todo := []step{{gate{0, 1<<32 - 1, t.header.root}, t.header.depth}}
	for len(todo) > 0 {
		s := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		if s.node == 0 || s.node >= t.total || seen[s.node] || s.height < 1 {
			continue
		}
		seen[s.node] = true
		i := t.find(s.node)
		if i < 0 || t.list[i].partial {
			if i >= 0 && s.height > 1 {
				g.wide = append(g.wide, s.node) // overlaps what it leads to
			} else {
				g.list = append(g.list, s.gate)
			}
		}
		if i < 0 || t.list[i].kind != kindIndex {
			continue
		}
		kids := t.children[t.list[i].child:t.list[i].childEnd]
		for k := len(kids) - 1; k >= 0; k-- {
			hi := s.hi
			if k+1 < len(kids) {
				hi = kids[k+1].id
			}
			todo = append(todo, step{gate{kids[k].id, hi, kids[k].node}, s.height - 1})
		}
	}
	slices.SortStableFunc(g.list, func(a, b gate) int { return cmp.Or(cmp.Compare(a.lo, b.lo), cmp.Compare(a.hi, b.hi)) })
	for i := range g.list { // a damaged index may have them out of order: none is asked for twice
		if i+1 < len(g.list) {
			g.list[i].hi = min(g.list[i].hi, g.list[i+1].lo)
		}
	}
}

// wanted collects what must be read before more is known.
type wanted struct {
	*needs.List
	l    *layout
	most int // ranges
}

func (l *layout) wanted(most int) wanted { return wanted{needs.New(l.src.r, most), l, most} }

// fork takes [off, off+n) of a fork, as far as its place is known, or what
// supersedes it in the journal. It reports whether all of it is located.
func (w *wanted) fork(f *fork, off, n int64) (located bool) {
	located = true
	f.runs.cut(off, max(min(n, f.size-off), 0), func(_, at, n int64, ok bool) {
		located = located && ok
		if ok {
			f.src.places(at, n, func(_, at, n int64) { w.Add(at, n) })
			f.src.hidden(at, n, w.Add)
		}
	})
	return located
}

// node takes a node of a tree, or else what would tell where it lies.
func (w *wanted) node(t *tree, number uint32) {
	switch located := w.fork(t.fork, int64(number)*int64(t.nodeSize), int64(t.nodeSize)); {
	case located:
	case t == w.l.trees.catalog:
		w.records(w.l.trees.extents, idCatalog)
	case t == w.l.trees.attributes:
		w.records(w.l.trees.extents, idAttributes)
	}
}

// records takes the nodes of a tree, if there is one, in which the records of a
// number may stand.
func (w *wanted) records(t *tree, id uint32) {
	if t == nil {
		return
	}
	// what gates all of it: its header, and the index nodes that are unread in part
	if t.gates.top {
		w.fork(t.fork, 0, bthEnd)
	}
	for _, n := range t.gates.wide[:min(len(t.gates.wide), w.most)] {
		w.node(t, n)
	}
	if t.doubtful > 0 { // which nodes are in use would tell
		w.node(t, 0)
	}
	g := t.gates.list
	i := sort.Search(len(g), func(i int) bool { return g[i].hi >= id })
	for ; i < len(g) && g[i].lo <= id && !w.Full(); i++ {
		w.node(t, g[i].node)
	}
}

// needsOf is what may hold the records of the given folders, of at most so many
// ranges: of what is in them, their threads, and of 0 nothing.
func (l *layout) needsOf(most int, folders ...uint32) []ranges.Range {
	w := l.wanted(most)
	for _, id := range folders {
		if id != 0 {
			w.records(l.trees.catalog, id)
		}
	}
	return w.Ranges()
}

// restOf is what would tell where more of a file's fork lies: its record in the
// folder parent, or its records in the extents overflow file.
func (l *layout) restOf(at *fork, file, parent uint32) []ranges.Range {
	if at.whole && !at.gaps && len(l.src.newer) == 0 {
		return nil
	}
	w := l.wanted(needs.Few)
	for _, r := range at.runs {
		l.src.hidden(r.Image, r.Length, w.Add)
	}
	switch {
	case !at.whole:
		w.records(l.trees.catalog, parent)
	case at.gaps && at.size > 0:
		w.records(l.trees.extents, file)
	}
	return w.Ranges()
}

package hfsplus

import (
	"encoding/binary"
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
	t    *tree
	list []gate // in order; each begins where the one before it ends, or later
	top  bool   // the header, or a part of an index node, is unread: it gates all
	wide []uint32
}

// findGates follows the tree from its root as far as it was read.
func (t *tree) findGates() *gates {
	g := &gates{t: t}
	if t == nil || t.unreadNodes+t.partNodes+t.badNodes == 0 && t.headerOK && !t.fork.gaps {
		return g
	}
	if !t.headerOK {
		g.top = true
		return g
	}
	type step struct {
		node   uint32
		lo, hi uint32
		height int
	}
	seen := map[uint32]bool{}
	todo := []step{{t.header.root, 0, 1<<32 - 1, t.header.depth}}
	for len(todo) > 0 {
		s := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		if s.node == 0 || s.node >= t.total || seen[s.node] || s.height < 1 {
			continue
		}
		seen[s.node] = true
		i := t.find(s.node)
		if i < 0 || t.nodes[i].partial {
			if i >= 0 && s.height > 1 {
				g.wide = append(g.wide, s.node) // overlaps what it leads to
			} else {
				g.list = append(g.list, gate{s.lo, s.hi, s.node})
			}
		}
		if i < 0 || t.nodes[i].kind != kindIndex {
			continue
		}
		kids := t.children[t.nodes[i].child:t.nodes[i].childEnd]
		for k := len(kids) - 1; k >= 0; k-- {
			hi := s.hi
			if k+1 < len(kids) {
				hi = kids[k+1].id
			}
			todo = append(todo, step{kids[k].node, kids[k].id, hi, s.height - 1})
		}
	}
	sort.SliceStable(g.list, func(i, j int) bool {
		return g.list[i].lo < g.list[j].lo || g.list[i].lo == g.list[j].lo && g.list[i].hi < g.list[j].hi
	})
	for i := range g.list { // a damaged index may have them out of order: none is asked for twice
		if i+1 < len(g.list) {
			g.list[i].hi = min(g.list[i].hi, g.list[i+1].lo)
		}
	}
	return g
}

// wanted collects what must be read before more is known.
type wanted struct {
	*needs.List
	v    *Volume
	most int // ranges
}

func (v *Volume) wanted(most int) wanted { return wanted{needs.New(v.src.r, most), v, most} }

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
	unlocated := !w.fork(t.fork, int64(number)*int64(t.nodeSize), int64(t.nodeSize))
	switch {
	case !unlocated || w.v.trees.extents == nil:
	case t == w.v.trees.catalog:
		w.records(w.v.gates.extents, idCatalog)
	case t == w.v.trees.attributes:
		w.records(w.v.gates.extents, idAttributes)
	}
}

// records takes the nodes in which the records of a number may stand.
func (w *wanted) records(g *gates, id uint32) {
	if g == nil || g.t == nil {
		return
	}
	w.head(g)
	i := sort.Search(len(g.list), func(i int) bool { return g.list[i].hi >= id })
	for ; i < len(g.list) && g.list[i].lo <= id && !w.Full(); i++ {
		w.node(g.t, g.list[i].node)
	}
}

// head takes what gates all of a tree: its header, and the index nodes that are
// unread in part.
func (w *wanted) head(g *gates) {
	if g.top {
		w.fork(g.t.fork, 0, bthEnd)
	}
	for _, n := range g.wide[:min(len(g.wide), w.most)] {
		w.node(g.t, n)
	}
	if g.t.doubtful > 0 { // which nodes are in use would tell
		w.node(g.t, 0)
	}
}

// needsOf is what may hold the records of the given folders, of at most so many
// ranges: of what is in them, their threads, and of 0 nothing.
func (v *Volume) needsOf(most int, folders ...uint32) []ranges.Range {
	w := v.wanted(most)
	for _, id := range folders {
		if id != 0 {
			w.records(v.gates.catalog, id)
		}
	}
	return w.Ranges()
}

// forkNeeds is what would tell where more of a file's fork lies: its record in
// the folder parent, or its records in the extents overflow file.
func (v *Volume) forkNeeds(w *wanted, at *fork, p *partFork, file, parent uint32) {
	for _, r := range at.runs {
		v.src.hidden(r.Image, r.Length, w.Add)
	}
	switch {
	case !p.whole():
		w.records(v.gates.catalog, parent)
	case at.gaps && p.size > 0:
		w.records(v.gates.extents, file)
	}
}

// compressedNeeds is what would tell more of a file that is kept compressed: c
// is what the attributes say of it, nil where nothing; f its resource fork.
func (v *Volume) compressedNeeds(w *wanted, file uint32, c *compressedFile, f *fork) {
	if c == nil || c.doubtful {
		w.records(v.gates.attributes, file)
	}
	if c == nil || f.size <= 0 || c.size > 1<<62 {
		return
	}
	count := (int64(c.size) + compressionUnit - 1) / compressionUnit
	switch c.method {
	case methodZlibFork:
		var head [4]byte
		if !f.read(head[:], 0).Whole() {
			w.fork(f, 0, int64(len(head)))
			return
		}
		w.fork(f, int64(binary.BigEndian.Uint32(head[:]))+4, 4+8*count)
	case methodLZVNFork, methodLZFSEFork, methodPlainFork:
		w.fork(f, 0, 4*(count+1))
	}
}

// findNeeds works out which unread nodes gate what, once the trees were read.
func (v *Volume) findNeeds() {
	v.gates.catalog = v.trees.catalog.findGates()
	v.gates.extents = v.trees.extents.findGates()
	v.gates.attributes = v.trees.attributes.findGates()
}

// needsOfVolume is what the volume needs that belongs to no listed entry.
func (v *Volume) needsOfVolume() []ranges.Range {
	w := v.wanted(needs.Most)
	if v.alternate {
		w.Add(v.start+headerOffset, headerSize)
	}
	if v.headerStale {
		v.src.hidden(v.start+headerOffset, headerSize, w.Add)
	}
	w.AddAll(v.journal.needs)
	for _, id := range []uint32{idRootParent, idRoot} {
		if f := v.catalog.folder(idRoot); id == idRootParent || f == nil || f.children < f.valence || f.fromThread {
			w.records(v.gates.catalog, id)
		}
	}
	return w.Ranges()
}

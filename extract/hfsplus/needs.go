package hfsplus

import (
	"encoding/binary"
	"sort"

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

const (
	// maxNeeds bounds the ranges asked for on behalf of one folder, or of the
	// volume, at once; once they were read, the rest is asked for.
	maxNeeds = 1 << 8
	// fewNeeds bounds those of a file: where its record may stand in more
	// nodes, its folder asks for them all.
	fewNeeds = 8
)

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

// needs collects ranges of the image that must be read before more is known.
type needs struct {
	v    *Volume
	most int // ranges
	list []ranges.Range
}

// add takes n bytes at image, if a part of them was not read.
func (w *needs) add(image, n int64) {
	if n <= 0 || image < 0 || w.v.src.r.IsRead(image, n) {
		return
	}
	if k := len(w.list) - 1; k >= 0 && w.list[k].End == image {
		w.list[k].End += n
	} else if len(w.list) < w.most {
		w.list = append(w.list, ranges.Range{Start: image, End: image + n})
	}
}

// fork takes [off, off+n) of a fork, as far as its place is known.
func (w *needs) fork(f *fork, off, n int64) {
	if n = min(n, f.size-off); n <= 0 {
		return
	}
	f.places(off, n, func(_, at, n int64) {
		if at >= 0 {
			w.newest(at, n)
		}
	})
}

// newest takes n bytes at image, or what supersedes them in the journal.
func (w *needs) newest(image, n int64) {
	w.v.src.places(image, n, func(_, at, n int64) { w.add(at, n) })
	w.v.src.hidden(image, n, w.add)
}

// node takes a node of a tree, or else what would tell where it lies.
func (w *needs) node(t *tree, number uint32) {
	off, n := int64(number)*int64(t.nodeSize), int64(t.nodeSize)
	w.fork(t.fork, off, n)
	unlocated := false
	t.fork.places(off, n, func(_, at, _ int64) { unlocated = unlocated || at < 0 })
	switch {
	case !unlocated || w.v.trees.extents == nil:
	case t == w.v.trees.catalog:
		w.records(w.v.gates.extents, idCatalog)
	case t == w.v.trees.attributes:
		w.records(w.v.gates.extents, idAttributes)
	}
}

// records takes the nodes in which the records of a number may stand.
func (w *needs) records(g *gates, id uint32) {
	if g == nil || g.t == nil {
		return
	}
	w.head(g)
	i := sort.Search(len(g.list), func(i int) bool { return g.list[i].hi >= id })
	for ; i < len(g.list) && g.list[i].lo <= id && len(w.list) < w.most; i++ {
		w.node(g.t, g.list[i].node)
	}
}

// head takes what gates all of a tree: its header, and the index nodes that are
// unread in part.
func (w *needs) head(g *gates) {
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
	w := needs{v: v, most: most}
	for _, id := range folders {
		if id != 0 {
			w.records(v.gates.catalog, id)
		}
	}
	return w.list
}

// forkNeeds is what would tell where more of a file's fork lies: its record in
// the folder parent, or its records in the extents overflow file.
func (v *Volume) forkNeeds(w *needs, at *place, p *partFork, file, parent uint32) {
	if len(v.src.patches) > 0 {
		for _, r := range at.runs {
			v.src.hidden(r.image, r.length, w.add)
		}
	}
	switch {
	case !p.whole():
		w.records(v.gates.catalog, parent)
	case at.gaps && p.size > 0:
		w.records(v.gates.extents, file)
	}
}

// compressedNeeds is what would tell more of a file that is kept compressed: c
// is what the attributes say of it, nil where nothing; rsrc its resource fork,
// of size bytes.
func (v *Volume) compressedNeeds(w *needs, file uint32, c *compressedFile, rsrc *place, size int64) {
	if c == nil || c.doubtful {
		w.records(v.gates.attributes, file)
	}
	if c == nil || size <= 0 || c.size > 1<<62 {
		return
	}
	f := &fork{src: &v.src, size: size, runs: rsrc.runs}
	count := (int64(c.size) + compressionUnit - 1) / compressionUnit
	switch c.method {
	case methodZlibFork:
		var head [4]byte
		if len(f.read(head[:], 0)) > 0 {
			w.fork(f, 0, int64(len(head)))
			return
		}
		w.fork(f, int64(binary.BigEndian.Uint32(head[:]))+4, min(4+8*count, size))
	case methodLZVNFork, methodLZFSEFork, methodPlainFork:
		w.fork(f, 0, min(4*(count+1), size))
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
	w := needs{v: v, most: maxNeeds}
	if v.alternate {
		w.add(v.start+headerOffset, headerSize)
	}
	if v.headerStale {
		v.src.hidden(v.start+headerOffset, headerSize, w.add)
	}
	for _, s := range v.journal.needs {
		w.add(s.Start, s.End-s.Start)
	}
	for _, id := range []uint32{idRootParent, idRoot} {
		if f := v.catalog.folder(idRoot); id == idRootParent || f == nil || f.children < f.valence || f.fromThread {
			w.records(v.gates.catalog, id)
		}
	}
	return w.list
}

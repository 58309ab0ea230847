package hfsplus

import (
	"cmp"
	"slices"
	"sort"
)

// maybe is a record that may be a leftover: it stands in a node that may be
// out of use, or whose number of records is unread.
type maybe struct {
	kind uint16 // the type of the record
	fileThread
	node     uint32
	index    int  // in the node
	wholly   bool // the node may be out of use, rather than its last records
	leftover bool // it stands out of order, so it is none of the node's records
}

// setFiles finds which files are known by their threads alone, and which of
// the records that may be leftovers are to be listed.
//
// A file or folder has two records in different places, its own and its
// thread, and they go together. So a record that may be a leftover is in use
// if the other one is sure, unless it stands elsewhere too, or belongs behind
// the next leaf's first, or stands behind one of which that is so. Others are
// not listed where only the node's number of records is unread: what stands
// behind its last record is often that of deleted files. In a node that may be
// out of use as a whole, one such record speaks for all; if there is none, those
// are leftovers whose thread's place was read and is empty, or whose folder is
// known to hold nothing more.
func (c *names) setFiles(all *catalog, t *tree) {
	slices.Sort(all.files)
	seen := func(id uint32) bool {
		_, ok := slices.BinarySearch(all.files, id)
		return ok
	}
	unsure := map[uint32]bool{} // files
	for _, m := range all.maybe {
		if m.kind == typeFile && !seen(m.id) {
			unsure[m.id] = true
		}
	}
	threads := map[fileThread]bool{} // sure ones of the unsure files
	for _, th := range all.fthreads {
		switch {
		case seen(th.id):
		case unsure[th.id]:
			threads[th] = true
		case !c.isPrivate(th.parent):
			c.orphans[th.id] = true
		}
	}
	if len(all.maybe) == 0 {
		return
	}
	folders := map[fileThread]bool{} // sure threads of folders
	for _, th := range all.threads {
		if !th.doubtful {
			folders[fileThread{th.id, th.parent, 0}] = true
		}
	}
	backed := func(m *maybe) bool {
		switch m.kind {
		case typeFile:
			return !seen(m.id) && threads[m.fileThread]
		case typeFileThread:
			return seen(m.id)
		case typeFolder:
			return folders[fileThread{m.id, m.parent, 0}]
		}
		f := c.folder(m.id)
		return f != nil && !f.fromThread && !f.doubtful && f.parent == m.parent
	}
	limit := c.limits(all, t, seen)
	inUse := map[uint32]bool{} // nodes
	for i := range all.maybe {
		if m := &all.maybe[i]; m.wholly && m.index < limit(m) && backed(m) {
			inUse[m.node] = true
		}
	}
	read := t.covered()
	for i := range all.maybe {
		m := &all.maybe[i]
		sure := inUse[m.node] || m.kind != typeFileThread && backed(m)
		over := m.index >= limit(m)
		switch m.kind {
		case typeFile:
			if unsure[m.id] && !over && (sure || m.wholly && !c.full(m.parent) && !read.has(m.id)) {
				c.accepted[m.fileThread] = true
			}
		case typeFileThread:
			if sure && !over && !seen(m.id) && !unsure[m.id] && !c.orphans[m.id] && !c.isPrivate(m.parent) {
				c.accepted[m.fileThread] = true
			}
		default:
			if f := c.folder(m.id); f != nil && f.doubtful && !sure && (over || !m.wholly || m.kind == typeFolderThread || c.full(m.parent) || read.has(m.id)) {
				f.dropped = true
			}
		}
	}
}

// limits tells of each node with records that may be leftovers how many of
// them are none.
func (c *names) limits(all *catalog, t *tree, seen func(uint32) bool) func(m *maybe) int {
	type number struct {
		kind uint16
		id   uint32
	}
	elsewhere := map[number]bool{}
	for i := range all.maybe {
		elsewhere[number{all.maybe[i].kind, all.maybe[i].id}] = false
	}
	mark := func(n number) {
		if _, ok := elsewhere[n]; ok {
			elsewhere[n] = true
		}
	}
	for _, th := range all.fthreads {
		mark(number{typeFileThread, th.id})
	}
	for i := range all.threads {
		if !all.threads[i].doubtful {
			mark(number{typeFolderThread, all.threads[i].id})
		}
	}
	for i := range c.folders {
		if f := &c.folders[i]; !f.doubtful && !f.fromThread {
			mark(number{typeFolder, f.id})
		}
	}
	bound := t.bounds()
	first := map[uint32]int{} // by node, the first leftover
	for i := range all.maybe {
		m := &all.maybe[i]
		n := number{m.kind, m.id}
		id, thread := m.parent, false // that its key begins with
		if m.kind == typeFileThread || m.kind == typeFolderThread {
			id, thread = m.id, true
		}
		b, ok := bound[m.node]
		if m.leftover || elsewhere[n] || m.kind == typeFile && seen(m.id) || ok && (id > b || id == b && thread) {
			at, known := first[m.node]
			if !known || m.index < at {
				first[m.node] = m.index
			}
		}
	}
	return func(m *maybe) int {
		if at, ok := first[m.node]; ok {
			if m.wholly {
				return 0 // a node is in use as a whole or not at all
			}
			return at
		}
		return 1 << 16
	}
}

// bounds are the numbers that the keys behind those of each leaf begin with,
// by its node number: as the next leaf or the index has them.
func (n *nodes) bounds() map[uint32]uint32 {
	out := map[uint32]uint32{}
	put := func(node, id uint32) {
		if old, ok := out[node]; !ok || id < old {
			out[node] = id
		}
	}
	for i := range n.list {
		x := &n.list[i]
		if !x.reached || x.height == 0 {
			continue
		}
		if x.kind == kindLeaf && x.hasFirst && x.prev != 0 {
			put(x.prev, x.firstID)
		}
		if x.kind == kindIndex && x.height == 2 {
			list := n.children[x.child:x.childEnd]
			for k := 1; k < len(list); k++ {
				put(list[k-1].node, list[k].id)
			}
		}
	}
	return out
}

// idRanges are ranges (first, last] of the numbers that keys begin with, for
// which every record with an empty name was read.
type idRanges [][2]uint32

// covered finds the ranges in which leaves that follow each other were wholly
// read and are in use.
func (n *nodes) covered() idRanges {
	var out idRanges
	var before *nodeInfo
	for _, l := range n.leaves {
		x := &n.list[n.find(l.number)]
		if !x.reached || x.partial || !x.hasFirst || !x.hasLast || x.height == 0 {
			before = nil
			continue
		}
		if k := len(out); before != nil && before.next == x.number && x.prev == before.number && x.lastID >= out[k-1][1] {
			out[k-1][1] = x.lastID
		} else {
			out = append(out, [2]uint32{x.firstID, x.lastID})
		}
		before = x
	}
	slices.SortFunc(out, func(a, b [2]uint32) int { return cmp.Compare(a[1], b[1]) })
	return out
}

func (r idRanges) has(id uint32) bool {
	i := sort.Search(len(r), func(i int) bool { return r[i][1] >= id })
	return i < len(r) && r[i][0] < id
}

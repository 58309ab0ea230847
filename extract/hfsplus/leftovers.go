package hfsplus

import (
	"slices"

	"fileassay/extract/ranges"
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
	for _, th := range all.fthreads {
		if !seen(th.id) && !unsure[th.id] && !c.isPrivate(th.parent) {
			c.orphans[th.id] = true
		}
	}
	if len(all.maybe) == 0 {
		return
	}
	sure := c.sure(all)
	backed := func(m *maybe) bool {
		switch m.kind {
		case typeFile:
			return sure[sureRecord{typeFileThread, m.fileThread}]
		case typeFileThread:
			return seen(m.id)
		case typeFolder:
			return sure[sureRecord{typeFolderThread, fileThread{m.id, m.parent, 0}}]
		}
		return sure[sureRecord{typeFolder, fileThread{m.id, m.parent, 0}}]
	}
	first := map[uint32]int{} // by node, the first leftover
	bound := t.bounds()
	for i := range all.maybe {
		m := &all.maybe[i]
		id, thread := m.parent, m.kind == typeFileThread || m.kind == typeFolderThread
		if thread {
			id = m.id // that its key begins with
		}
		b, ok := bound[m.node]
		if m.leftover || sure[sureRecord{m.kind | whatever, fileThread{id: m.id}}] || ok && (id > b || id == b && thread) {
			at := m.index
			if m.wholly {
				at = 0 // a node is in use as a whole or not at all
			}
			if old, ok := first[m.node]; !ok || at < old {
				first[m.node] = at
			}
		}
	}
	over := func(m *maybe) bool {
		at, ok := first[m.node]
		return ok && m.index >= at
	}
	inUse := map[uint32]bool{} // nodes
	for i := range all.maybe {
		if m := &all.maybe[i]; m.wholly && !over(m) && backed(m) {
			inUse[m.node] = true
		}
	}
	read := t.covered()
	for i := range all.maybe {
		m := &all.maybe[i]
		sure := inUse[m.node] || m.kind != typeFileThread && backed(m)
		switch m.kind {
		case typeFile:
			if unsure[m.id] && !over(m) && (sure || m.wholly && !c.full(m.parent) && !read.Touches(int64(m.id), 1)) {
				c.accepted[m.fileThread] = true
			}
		case typeFileThread:
			if sure && !over(m) && !seen(m.id) && !unsure[m.id] && !c.orphans[m.id] && !c.isPrivate(m.parent) {
				c.accepted[m.fileThread] = true
			}
		default:
			if f := c.folder(m.id); f != nil && f.doubtful && !sure &&
				(over(m) || !m.wholly || m.kind == typeFolderThread || c.full(m.parent) || read.Touches(int64(m.id), 1)) {
				f.dropped = true
			}
		}
	}
}

// sureRecord names a record that is sure: by its type and all that it says, or,
// with whatever in its type, by its number alone.
type sureRecord struct {
	kind uint16
	fileThread
}

const whatever = 1 << 15

// sure are the records that are sure and have the number of one that may be a
// leftover.
func (c *names) sure(all *catalog) map[sureRecord]bool {
	wanted := map[uint32]bool{}
	for i := range all.maybe {
		wanted[all.maybe[i].id] = true
	}
	out := map[sureRecord]bool{}
	put := func(kind uint16, what fileThread) {
		if wanted[what.id] {
			out[sureRecord{kind, what}] = true
			out[sureRecord{kind | whatever, fileThread{id: what.id}}] = true
		}
	}
	for _, id := range all.files {
		put(typeFile, fileThread{id: id})
	}
	for _, th := range all.fthreads {
		put(typeFileThread, th)
	}
	for i := range all.threads {
		if th := &all.threads[i]; !th.doubtful {
			put(typeFolderThread, fileThread{th.id, th.parent, 0})
		}
	}
	for i := range c.folders {
		if f := &c.folders[i]; !f.doubtful && !f.fromThread {
			put(typeFolder, fileThread{f.id, f.parent, 0})
		}
	}
	return out
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

// covered is the set of the numbers that keys begin with for which every record
// with an empty name was read: those in leaves that follow each other, were
// wholly read and are in use, but for the first.
func (n *nodes) covered() *ranges.Set {
	var out ranges.Set
	var before *nodeInfo
	for _, l := range n.leaves {
		x := &n.list[n.find(l.number)]
		if !x.reached || x.partial || !x.hasFirst || !x.hasLast || x.height == 0 {
			before = nil
			continue
		}
		from := x.firstID
		if before != nil && before.next == x.number && x.prev == before.number {
			from = min(from, before.lastID)
		}
		out.Add(int64(from)+1, int64(x.lastID)-int64(from))
		before = x
	}
	return &out
}

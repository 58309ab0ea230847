package hfsplus

import "slices"

// maybe is a record that may be a leftover: it stands in a node that may be
// out of use, or whose number of records is unread.
type maybe struct {
	kind uint16 // the type of the record
	fileThread
	node   uint32
	wholly bool // the node may be out of use, rather than its last records
}

// setFiles finds which files are known by their threads alone, and which of
// the records that may be leftovers are to be listed.
//
// A file or folder has two records in different places, its own and its
// thread, and they go together. So a record that may be a leftover is in use
// if the other one is sure. Others are not listed where only the node's number of
// records is unread: what stands behind its last record is often that of deleted
// files. In a node that may be out of use as a whole, one such record speaks for
// all; if there is none, those are leftovers whose folder is known to hold nothing
// more.
func (c *names) setFiles(all *catalog, whole bool) {
	slices.SortFunc(all.files, fileThread.compare)
	c.opposeFiles(all, whole)
	seen := func(id uint32) bool {
		_, ok := slices.BinarySearchFunc(all.files, id, fileThread.byID)
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
	inUse := map[uint32]bool{} // nodes
	for _, m := range all.maybe {
		if m.wholly && sure(m) {
			inUse[m.node] = true
		}
	}
	for _, m := range all.maybe {
		sure := inUse[m.node] || m.kind != typeFileThread && sure(m)
		switch m.kind {
		case typeFile:
			if unsure[m.id] && (sure || m.wholly && !c.full(m.parent)) {
				c.accepted[m.fileThread] = true
			}
		case typeFileThread:
			if sure && !seen(m.id) && !unsure[m.id] && !c.orphans[m.id] && !c.isPrivate(m.parent) {
				c.accepted[m.fileThread] = true
			}
		default:
			if f := c.folder(m.id); f != nil && f.doubtful && !sure && (!m.wholly || m.kind == typeFolderThread || c.full(m.parent)) {
				f.dropped = true
			}
		}
	}
}

// sure tells of a record that may be a leftover whether the other record of its file
// or folder is sure.
func (c *names) sure(all *catalog) func(maybe) bool {
	type record struct {
		kind uint16
		fileThread
	}
	// other is what the other record says
	other := func(m maybe) record {
		switch m.kind {
		case typeFile:
			return record{typeFileThread, m.fileThread}
		case typeFileThread:
			return record{typeFile, fileThread{id: m.id}}
		case typeFolder:
			return record{typeFolderThread, fileThread{m.id, m.parent, 0}}
		}
		return record{typeFolder, fileThread{m.id, m.parent, 0}}
	}
	found := map[record]bool{}
	for _, m := range all.maybe {
		found[other(m)] = false
	}
	put := func(kind uint16, what fileThread) {
		if _, ok := found[record{kind, what}]; ok {
			found[record{kind, what}] = true
		}
	}
	for _, f := range all.files {
		put(typeFile, fileThread{id: f.id})
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
	return func(m maybe) bool { return found[other(m)] }
}

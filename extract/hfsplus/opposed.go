package hfsplus

import (
	"cmp"
	"slices"
)

// A file or folder has two records, its own and its thread, which name it and its
// folder alike (TN1150, Catalog Thread Records). Where they differ one of them is of
// an earlier time, or not what a driver wrote.

func (a fileThread) compare(b fileThread) int {
	return cmp.Or(cmp.Compare(a.id, b.id), cmp.Compare(a.parent, b.parent), cmp.Compare(a.name, b.name))
}

func (a fileThread) byID(id uint32) int { return cmp.Compare(a.id, id) }

// opposeFiles notes the files whose records, sorted, and threads differ. A record
// without a thread is in use only where a thread may be unread.
func (c *names) opposeFiles(all *catalog, whole bool) {
	slices.SortFunc(all.fthreads, fileThread.compare)
	rest := all.fthreads
	for i, f := range all.files {
		for len(rest) > 0 && rest[0].id < f.id {
			rest = rest[1:]
		}
		switch {
		case len(rest) > 0 && rest[0].id == f.id && rest[0] != f,
			whole && (len(rest) == 0 || rest[0].id != f.id),
			i > 0 && all.files[i-1].id == f.id:
			c.opposed[f.id] = true
		}
	}
}

// opposeFolders does this for folders, which stand sorted by number, their records
// before their threads.
func (c *names) opposeFolders(whole bool) {
	for i := range c.folders {
		f := &c.folders[i]
		if f.doubtful || i > 0 && c.folders[i-1].id == f.id {
			continue
		}
		thread := false
		for k := i + 1; k < len(c.folders) && c.folders[k].id == f.id; k++ {
			if o := &c.folders[k]; !o.doubtful {
				thread = thread || o.fromThread
				if !o.fromThread || o.parent != f.parent || o.name != f.name {
					c.opposed[f.id] = true
				}
			}
		}
		if whole && !thread && !f.fromThread {
			c.opposed[f.id] = true
		}
	}
}

// countLinks holds the number of the links that name an inode, whose numbers stand
// sorted in found, against the count in its record (TN1150, Hard Links: the special
// field of an indirect node file is its link count).
func (c *names) countLinks(found []uint32) {
	for _, n := range c.inodes {
		if n.doubtful || n.thread || !c.linked(n.number) {
			continue
		}
		first, _ := slices.BinarySearch(found, n.number)
		end, _ := slices.BinarySearch(found, n.number+1)
		if uint32(end-first) != n.links {
			c.miscounted[n.number] = true
			c.lacksLinks = c.lacksLinks || uint32(end-first) < n.links
		}
	}
}

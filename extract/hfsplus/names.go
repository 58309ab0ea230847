package hfsplus

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"fileassay/extract"
)

// Names of the volume's own folders and files, as they are shown once their
// NULs are left out (TN1150, Hard Links; of links to folders hfs_format.h;
// TN1150, Journal).
const (
	privateFiles   = "\x00\x00\x00\x00HFS+ Private Data"
	privateFolders = ".HFS+ Private Directory Data\r"
	journalFile    = ".journal"
	journalInfoFil = ".journal_info_block"
	inodePrefix    = "iNode"
	folderPrefix   = "dir_"
)

// names are the folders, what leads to them, and which of the records that name
// something are to be listed: what the third stage made of the records.
type names struct {
	folders       []folder // by id
	known         int64    // files and folders that have records that are sure, the root not counted
	private       [2]uint32
	inodes        []inode             // by number
	links         []uint32            // numbers of the inodes that hard links name, sorted
	linkedFolders map[uint32]uint32   // folders that hard links share, by the number that the links have
	orphans       map[uint32]bool     // files known by their threads alone
	accepted      map[fileThread]bool // records that may be leftovers, to be listed: files by their own, or by their threads
	opposed       map[uint32]bool     // files and folders whose records and threads do not agree
	miscounted    map[uint32]bool     // numbers of inodes that more or fewer links name than their records count
	lacksLinks    bool                // fewer
	paths         *extract.Paths[uint32]
}

// readNames works out the names of what the records of the catalog tell, all of which
// were read if it is whole. Of those it keeps what the names need, and leaves the
// counts alone.
func readNames(all *catalog, whole bool) *names {
	c := &names{known: int64(len(all.files)), orphans: map[uint32]bool{}, accepted: map[fileThread]bool{}, opposed: map[uint32]bool{}, miscounted: map[uint32]bool{}}
	c.setFolders(all, whole)
	c.setPrivate()
	c.setLinks(all, whole)
	c.setFiles(all, whole)
	c.setPaths()
	*all = catalog{lost: all.lost, nameless: all.nameless, records: all.records}
	return c
}

// setFolders makes the table of folders: by their records, else their threads,
// sure ones before doubtful ones.
func (c *names) setFolders(all *catalog, whole bool) {
	c.folders = append(all.folders, all.threads...)
	slices.SortStableFunc(c.folders, func(a, b folder) int {
		return cmp.Or(cmp.Compare(a.id, b.id), cmp.Compare(flag(a.doubtful), flag(b.doubtful)), cmp.Compare(flag(a.fromThread), flag(b.fromThread)))
	})
	c.opposeFolders(whole)
	c.folders = slices.CompactFunc(c.folders, func(a, b folder) bool { return a.id == b.id })
	for _, n := range all.children {
		if f := c.folder(n.id); f != nil {
			f.children += n.n
		}
	}
	for i := range c.folders {
		if f := &c.folders[i]; !f.fromThread && !f.doubtful && f.id != idRoot {
			c.known++
		}
	}
}

// folder is the folder of that number; nil where nothing is known of it.
func (c *names) folder(id uint32) *folder {
	i, ok := slices.BinarySearchFunc(c.folders, id, func(f folder, id uint32) int { return cmp.Compare(f.id, id) })
	if !ok {
		return nil
	}
	return &c.folders[i]
}

// full reports whether all that a folder holds was seen in records that are
// sure.
func (c *names) full(id uint32) bool {
	f := c.folder(id)
	return f != nil && !f.fromThread && !f.doubtful && f.children >= f.valence
}

// setPrivate finds the private folders by their names in the root (TN1150, Hard
// Links). Nothing else proves which they are.
func (c *names) setPrivate() {
	for i := range c.folders {
		f := &c.folders[i]
		if f.parent != idRoot {
			continue
		}
		switch f.name {
		case privateFiles:
			c.private[0] = f.id
		case privateFolders:
			c.private[1] = f.id
		}
	}
}

// isPrivate reports whether the folder of that number is one of the private
// ones.
func (c *names) isPrivate(id uint32) bool {
	return id != 0 && (id == c.private[0] || id == c.private[1])
}

// setLinks makes the tables of hard links.
func (c *names) setLinks(all *catalog, whole bool) {
	slices.Sort(all.links)
	found := all.links
	c.links = slices.Compact(slices.Clone(all.links))
	c.inodes = slices.DeleteFunc(all.inodes, func(n inode) bool { return n.parent != c.private[0] })
	if f := c.folder(c.private[0]); f != nil && f.doubtful {
		for i := range c.inodes {
			c.inodes[i].doubtful = true
		}
	}
	slices.SortStableFunc(c.inodes, func(a, b inode) int {
		return cmp.Or(cmp.Compare(a.number, b.number), cmp.Compare(flag(a.doubtful), flag(b.doubtful)), cmp.Compare(flag(a.thread), flag(b.thread)))
	})
	c.inodes = slices.CompactFunc(c.inodes, func(a, b inode) bool { return a.number == b.number })

	if whole {
		c.countLinks(found)
	}

	// What a folder with hard links holds is shown under its first link.
	if c.private[1] == 0 || len(all.aliases) == 0 {
		return
	}
	c.linkedFolders = map[uint32]uint32{}
	for i := range c.folders {
		f := &c.folders[i]
		digits, ok := strings.CutPrefix(f.name, folderPrefix)
		if !ok || f.parent != c.private[1] {
			continue
		}
		if n, err := strconv.ParseUint(digits, 10, 32); err == nil {
			c.linkedFolders[uint32(n)] = f.id
		}
	}
	for _, a := range all.aliases {
		if f := c.folder(c.linkedFolders[a.number]); f != nil && f.parent == c.private[1] {
			f.parent, f.name = a.parent, a.name
		}
	}
}

// inode is the record of the file that links of that number share; nil where
// it was not read.
func (c *names) inode(number uint32) *inode {
	i, ok := slices.BinarySearchFunc(c.inodes, number, func(n inode, number uint32) int { return cmp.Compare(n.number, number) })
	if !ok {
		return nil
	}
	return &c.inodes[i]
}

// linked reports whether a hard link names the inode of that number.
func (c *names) linked(number uint32) bool {
	_, ok := slices.BinarySearch(c.links, number)
	return ok
}

// setPaths makes the folders' paths ready.
func (c *names) setPaths() {
	ids := func(yield func(uint32) bool) {
		for i := range c.folders {
			if !yield(c.folders[i].id) {
				return
			}
		}
	}
	number := func(id uint32) uint64 { return uint64(id) }
	c.paths = extract.NewPaths(ids, idRoot, number, func(id uint32) (string, uint32, bool) {
		f := c.folder(id)
		if f == nil || c.isPrivate(id) {
			return "", 0, false
		}
		if f.parent == idRootParent {
			return f.name, idRoot, true
		}
		return f.name, f.parent, true
	})
}

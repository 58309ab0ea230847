package hfsplus

import (
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	"slices"
	"sort"
	"strconv"

	"fileassay/extract"
	"fileassay/extract/partial"
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

// folder is what is remembered of a folder.
type folder struct {
	id, parent uint32
	valence    uint32
	children   uint32 // records seen in it
	name       string // shown
	fromThread bool   // known by its thread alone
	doubtful   bool
	dropped    bool // doubtful, and taken for a leftover: not listed
}

// inode is where the record of a file stands that hard links share.
type inode struct {
	number   uint32 // as the links have it
	parent   uint32
	id       uint32
	leaf     uint32 // node number
	at       uint16 // of the record in the node
	doubtful bool
}

// alias is a hard link to a folder.
type alias struct {
	number, parent uint32
	name           string
}

// catalog is what is remembered of the catalog between the passes.
type catalog struct {
	label         string
	folders       []folder // by id
	inodes        []inode  // by number
	links         []uint32 // numbers of the inodes that hard links name, sorted
	private       [2]uint32
	linkedFolders map[uint32]uint32 // folders that hard links share, by the number that the links have

	orphans  map[uint32]bool     // files known by their threads alone
	accepted map[fileThread]bool // records that may be leftovers, to be listed: files by their own, or by their threads
	order    *tree               // the catalog file
	paths    *extract.Paths[uint32]

	files, dirs int64 // records counted, doubtful ones left out
	lost        int64 // records that were not read in nodes that were in part
	records     int64 // records seen
}

// part is what a batch of leaves gave to the catalog.
type part struct {
	folders  []folder
	threads  []folder     // of folders
	files    []uint32     // ids
	fthreads []fileThread // sure ones
	maybe    []maybe
	inodes   []inode
	links    []uint32
	aliases  []alias
	children []tally
	lost     int64
	records  int64
	label    string
}

// fileThread is the thread of a file. name is a hash of the name in it.
type fileThread struct{ id, parent, name uint32 }

// tally counts the records of one parent that stand together.
type tally struct{ id, n uint32 }

// loadCatalog reads the catalog and works out paths.
func (v *Volume) loadCatalog(ctx context.Context) (*catalog, error) {
	t := v.trees.catalog
	if err := t.scan(ctx, v.o, "catalog file"); err != nil {
		return nil, err
	}
	c := &catalog{orphans: map[uint32]bool{}, accepted: map[fileThread]bool{}, order: t}
	var all part
	err := each(ctx, t, v.o.Workers(), collect, func(p part) error {
		all.folders = append(all.folders, p.folders...)
		all.threads = append(all.threads, p.threads...)
		all.files = append(all.files, p.files...)
		all.fthreads = append(all.fthreads, p.fthreads...)
		all.maybe = append(all.maybe, p.maybe...)
		all.inodes = append(all.inodes, p.inodes...)
		all.links = append(all.links, p.links...)
		all.aliases = append(all.aliases, p.aliases...)
		all.children = append(all.children, p.children...)
		c.lost += p.lost
		c.records += p.records
		if c.label == "" {
			c.label = p.label
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	c.files = int64(len(all.files))
	c.setFolders(&all)
	c.setPrivate(&all)
	c.setLinks(&all)
	c.setFiles(&all)
	c.setPaths()
	return c, nil
}

// eachCatalog calls f for every record of a leaf of the catalog whose key was
// and type were read. data is the record behind its key.
func eachCatalog(n *node, f func(k catalogKey, r record, kind uint16, data partial.Bytes)) (lost int64) {
	lost = int64(n.gone)
	for _, r := range n.recs {
		k, size, ok := parseCatalogKey(n.Data[r.start:r.end])
		if !ok || !n.Has(r.start, size) {
			lost++
			continue
		}
		data := n.Slice(r.start+size, r.end-r.start-size)
		kind, ok := data.Uint16(binary.BigEndian, 0)
		if !ok {
			lost++
			continue
		}
		f(k, r, kind, data)
	}
	return lost
}

// collect takes from a leaf what must be remembered of it.
func collect(n *node, doubtful bool, out *part) {
	wholly := doubtful && !n.uncertain // the node, rather than its last records
	doubtful = doubtful || n.uncertain
	index := -1
	var before catalogKey // of the last record
	unordered := false
	unsure := func(kind int, id, parent uint32, name []byte) {
		out.maybe = append(out.maybe, maybe{kind: kind, fileThread: fileThread{id, parent, nameHash(name)}, node: n.number, index: index, wholly: wholly, leftover: unordered})
	}
	out.records += int64(len(n.recs) + n.gone)
	out.lost += eachCatalog(n, func(k catalogKey, r record, kind uint16, data partial.Bytes) {
		index++
		unordered = unordered || k.parent < before.parent || k.parent == before.parent && bytes.Equal(k.name, before.name)
		before = k
		if (kind == typeFolder || kind == typeFile) && !doubtful {
			if i := len(out.children) - 1; i >= 0 && out.children[i].id == k.parent {
				out.children[i].n++
			} else {
				out.children = append(out.children, tally{k.parent, 1})
			}
		}
		switch kind {
		case typeFolder:
			d, ok := parseFolder(data)
			if !ok {
				out.lost++
				return
			}
			name, _ := folderName(k.name)
			if k.parent == idRootParent {
				out.label = name
			}
			if doubtful {
				unsure(typeFolder, d.id, k.parent, k.name)
			}
			out.folders = append(out.folders, folder{id: d.id, parent: k.parent, valence: d.valence, name: name, doubtful: doubtful})
		case typeFolderThread:
			th, ok := parseThread(data)
			if !ok {
				out.lost++
				return
			}
			name, _ := folderName(th.name)
			if doubtful {
				unsure(typeFolderThread, k.parent, th.parent, th.name)
			}
			out.threads = append(out.threads, folder{id: k.parent, parent: th.parent, name: name, fromThread: true, doubtful: doubtful})
		case typeFileThread:
			th, ok := parseThread(data)
			if !ok {
				out.lost++
				return
			}
			if doubtful {
				unsure(typeFileThread, k.parent, th.parent, th.name)
			} else {
				out.fthreads = append(out.fthreads, fileThread{k.parent, th.parent, nameHash(th.name)})
			}
		case typeFile:
			f, ok := parseFile(data)
			if !ok {
				out.lost++
				return
			}
			if !data.Has(0, fileSize) {
				out.lost++
			}
			if doubtful {
				unsure(typeFile, f.id, k.parent, k.name)
			} else {
				out.files = append(out.files, f.id)
			}
			if num, ok := numbered(k.name, inodePrefix); ok {
				out.inodes = append(out.inodes, inode{num, k.parent, f.id, n.number, uint16(r.start), doubtful})
			}
			if f.hardLink() {
				out.links = append(out.links, f.special)
			} else if f.folderLink() {
				name, _ := shownName(k.name)
				out.aliases = append(out.aliases, alias{f.special, k.parent, name})
			}
		default:
			out.lost++
		}
	})
}

func nameHash(raw []byte) uint32 { return uint32(keyHash(raw)) }

// folderName is the shown name of a folder; those of the private folders are
// returned as they are stored.
func folderName(raw []byte) (string, []byte) {
	if isName(raw, privateFiles) {
		return privateFiles, nil
	}
	if isName(raw, privateFolders) {
		return privateFolders, nil
	}
	return shownName(raw)
}

// isName reports whether raw is the ASCII name s.
func isName(raw []byte, s string) bool {
	if len(raw) != 2*len(s) {
		return false
	}
	for i := range len(s) {
		if raw[2*i] != 0 || raw[2*i+1] != s[i] {
			return false
		}
	}
	return true
}

// numbered is the number behind the prefix of a name.
func numbered(raw []byte, prefix string) (uint32, bool) {
	if len(raw) <= 2*len(prefix) || len(raw) > 2*(len(prefix)+10) || !isName(raw[:2*len(prefix)], prefix) {
		return 0, false
	}
	digits := make([]byte, 0, 10)
	for i := 2 * len(prefix); i+1 < len(raw); i += 2 {
		if raw[i] != 0 {
			return 0, false
		}
		digits = append(digits, raw[i+1])
	}
	n, err := strconv.ParseUint(string(digits), 10, 32)
	return uint32(n), err == nil
}

// setFolders makes the table of folders: by their records, else their threads,
// sure ones before doubtful ones.
func (c *catalog) setFolders(all *part) {
	c.folders = append(all.folders, all.threads...)
	slices.SortStableFunc(c.folders, func(a, b folder) int {
		return cmp.Or(cmp.Compare(a.id, b.id), cmp.Compare(flag(a.doubtful), flag(b.doubtful)), cmp.Compare(flag(a.fromThread), flag(b.fromThread)))
	})
	c.folders = slices.CompactFunc(c.folders, func(a, b folder) bool { return a.id == b.id })
	for _, n := range all.children {
		if f := c.folder(n.id); f != nil {
			f.children += n.n
		}
	}
	for i := range c.folders {
		if f := &c.folders[i]; !f.fromThread && !f.doubtful && f.id != idRoot {
			c.dirs++
		}
	}
}

// folder is the folder of that number; nil where nothing is known of it.
func (c *catalog) folder(id uint32) *folder {
	if i := c.index(id); i >= 0 {
		return &c.folders[i]
	}
	return nil
}

// index is the index in folders of the folder of that number, -1 where nothing
// is known of it.
func (c *catalog) index(id uint32) int {
	i := sort.Search(len(c.folders), func(i int) bool { return c.folders[i].id >= id })
	if i < len(c.folders) && c.folders[i].id == id {
		return i
	}
	return -1
}

// full reports whether all that a folder holds was seen in records that are
// sure.
func (c *catalog) full(id uint32) bool {
	f := c.folder(id)
	return f != nil && !f.fromThread && !f.doubtful && f.children >= f.valence
}

// setPrivate finds the private folders: by their names in the root, else, for
// that of files, as the folder of which nothing is known but files of the kind
// that stand in it.
func (c *catalog) setPrivate(all *part) {
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
	if c.private[0] != 0 {
		return
	}
	count := map[uint32]int{}
	for _, n := range all.inodes {
		if c.folder(n.parent) == nil {
			count[n.parent]++
		}
	}
	for id, n := range count {
		if best := count[c.private[0]]; n > best || n == best && id < c.private[0] {
			c.private[0] = id
		}
	}
}

// isPrivate reports whether the folder of that number is one of the private
// ones.
func (c *catalog) isPrivate(id uint32) bool {
	return id != 0 && (id == c.private[0] || id == c.private[1])
}

// setLinks makes the tables of hard links.
func (c *catalog) setLinks(all *part) {
	slices.Sort(all.links)
	c.links = slices.Compact(all.links)
	c.inodes = slices.DeleteFunc(all.inodes, func(n inode) bool { return n.parent != c.private[0] })
	slices.SortStableFunc(c.inodes, func(a, b inode) int {
		return cmp.Or(cmp.Compare(a.number, b.number), cmp.Compare(flag(a.doubtful), flag(b.doubtful)))
	})
	c.inodes = slices.CompactFunc(c.inodes, func(a, b inode) bool { return a.number == b.number })

	// What a folder with hard links holds is shown under its first link.
	if c.private[1] == 0 || len(all.aliases) == 0 {
		return
	}
	c.linkedFolders = map[uint32]uint32{}
	for i := range c.folders {
		f := &c.folders[i]
		if f.parent != c.private[1] {
			continue
		}
		if n, err := strconv.ParseUint(trimPrefix(f.name, folderPrefix), 10, 32); err == nil {
			c.linkedFolders[uint32(n)] = f.id
		}
	}
	for _, a := range all.aliases {
		if f := c.folder(c.linkedFolders[a.number]); f != nil && f.parent == c.private[1] {
			f.parent, f.name = a.parent, a.name
		}
	}
}

func trimPrefix(s, prefix string) string {
	if len(s) > len(prefix) && s[:len(prefix)] == prefix {
		return s[len(prefix):]
	}
	return ""
}

// inode is the record of the file that links of that number share; nil where
// it was not read.
func (c *catalog) inode(number uint32) *inode {
	i := sort.Search(len(c.inodes), func(i int) bool { return c.inodes[i].number >= number })
	if i < len(c.inodes) && c.inodes[i].number == number {
		return &c.inodes[i]
	}
	return nil
}

// linked reports whether a hard link names the inode of that number.
func (c *catalog) linked(number uint32) bool {
	_, ok := slices.BinarySearch(c.links, number)
	return ok
}

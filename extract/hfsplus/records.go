package hfsplus

import (
	"bytes"
	"context"
	"encoding/binary"

	"fileassay/extract"
	"fileassay/extract/partial"
)

// records are what was read of the trees: what the second stage found.
type records struct {
	*layout
	compressed *compressedFiles
	catalog    catalog
}

// readRecords reads the attributes file and the catalog.
func readRecords(ctx context.Context, l *layout, o extract.Options) (*records, error) {
	out := &records{layout: l}
	var err error
	if out.compressed, err = l.loadCompressed(ctx, o); err != nil {
		return nil, err
	}
	return out, each(ctx, l.trees.catalog, o, collect, func(c catalog) error {
		out.catalog.add(&c)
		return nil
	})
}

// whole reports whether every record of the catalog was read.
func (r *records) whole() bool {
	t := r.trees.catalog
	return t.unreadNodes == 0 && t.badNodes == 0 && t.doubtful == 0 && r.catalog.lost == 0 && !t.fork.gaps && !r.stale()
}

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

// catalog is what is remembered of the records of the catalog, or of a batch of
// its leaves.
type catalog struct {
	label    string
	folders  []folder
	threads  []folder     // of folders
	files    []uint32     // ids; doubtful ones left out
	fthreads []fileThread // sure ones
	maybe    []maybe
	inodes   []inode
	links    []uint32 // numbers of the inodes that hard links name
	aliases  []alias
	children []tally
	lost     int64 // records that were not read in nodes that were in part
	records  int64 // records seen
}

// add takes what a further batch gave.
func (c *catalog) add(p *catalog) {
	c.folders = append(c.folders, p.folders...)
	c.threads = append(c.threads, p.threads...)
	c.files = append(c.files, p.files...)
	c.fthreads = append(c.fthreads, p.fthreads...)
	c.maybe = append(c.maybe, p.maybe...)
	c.inodes = append(c.inodes, p.inodes...)
	c.links = append(c.links, p.links...)
	c.aliases = append(c.aliases, p.aliases...)
	c.children = append(c.children, p.children...)
	c.lost += p.lost
	c.records += p.records
	if c.label == "" {
		c.label = p.label
	}
}

// fileThread is the thread of a file. name is a hash of the name in it.
type fileThread struct{ id, parent, name uint32 }

// tally counts the records of one parent that stand together.
type tally struct{ id, n uint32 }

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
func collect(n *node, doubtful bool, out *catalog) {
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

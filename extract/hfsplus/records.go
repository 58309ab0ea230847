package hfsplus

import (
	"context"

	"fileassay/extract"
	"fileassay/extract/claims"
	"fileassay/extract/ranges"
)

// records are what was read of the trees: what the second stage found.
type records struct {
	*layout
	compressed *compressedFiles
	catalog    catalog
	disputed
}

// readRecords reads the attributes file and the catalog.
func readRecords(ctx context.Context, l *layout, o extract.Options) (*records, error) {
	out := &records{layout: l}
	var err error
	if out.compressed, err = l.loadCompressed(ctx, o); err != nil {
		return nil, err
	}
	err = each(ctx, l.trees.catalog, o, l.collect, func(c catalog) error {
		out.catalog.add(&c)
		return nil
	})
	for i := range l.overflow.list {
		if x := &l.overflow.list[i]; x.file >= idFirstUser && !x.doubtful {
			l.register(&out.catalog.claims, x.runs[:])
		}
	}
	var own ranges.Set
	out.claimOwn(&own)
	for r := range own.All() {
		out.catalog.claims.Add(r.Start, r.Len())
	}
	if err == nil {
		out.disputed, err = l.dispute(ctx, &out.catalog.claims)
	}
	out.catalog.claims = claims.Register{} // large, and of no use later
	return out, err
}

// register adds what the extents of a record claim.
func (l *layout) register(to *claims.Register, list []blockRun) {
	for _, b := range list {
		if b.count == 0 {
			break
		}
		if l.header.holds(b) {
			to.Add(l.at(b.start), int64(b.count)*l.header.blockSize)
		}
	}
}

// claimOwn claims what the volume's own structures lie in.
func (r *records) claimOwn(own *ranges.Set) {
	r.claim(own)
	for _, b := range r.compressed.blocks {
		own.Add(r.at(b.start), int64(b.count)*r.header.blockSize)
	}
}

// whole reports whether every record of the catalog was read.
func (r *records) whole() bool {
	t := r.trees.catalog
	return !t.short() && t.doubtful == 0 && r.catalog.lost == 0 && !r.stale()
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
	links    uint32 // that name it, as its record counts
	doubtful bool
	thread   bool // known by its thread alone
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
	files    []fileThread // what their records say; doubtful ones left out
	fthreads []fileThread // what their threads say; sure ones
	maybe    []maybe
	inodes   []inode
	links    []uint32 // numbers of the inodes that hard links name
	aliases  []alias
	children []tally
	lost     int64           // records that were not read in nodes that were in part
	nameless int64           // of them are files whose numbers were not read
	records  int64           // records seen
	claims   claims.Register // what files claim whose records are in use
	// journalAt is where in the image the journal begins that the root folder names:
	// -1 where that is not known, 0 where it names none.
	journalAt int64
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
	c.nameless += p.nameless
	c.records += p.records
	c.claims.AddAll(&p.claims)
	if c.journalAt <= 0 && p.journalAt != 0 {
		c.journalAt = p.journalAt
	}
	if c.label == "" {
		c.label = p.label
	}
}

// fileThread is what a file's record or its thread says of it. name is a hash of its
// name.
type fileThread struct{ id, parent, name uint32 }

// tally counts the records of one parent that stand together.
type tally struct{ id, n uint32 }

// eachCatalog calls f for every record of a leaf of the catalog whose key and
// type were read. The record is f's until it returns.
func eachCatalog(n *node, f func(at int, r *catalogRecord)) (lost int64) {
	lost = int64(n.gone)
	var r catalogRecord
	for _, at := range n.recs {
		var ok bool
		if r, ok = parseCatalog(n.Slice(at.start, at.end-at.start)); !ok || r.lost {
			lost++
		}
		if ok {
			f(at.start, &r)
		}
	}
	return lost
}

// collect takes from a leaf what must be remembered of it.
func (l *layout) collect(n *node, doubtful bool, out *catalog) {
	wholly := doubtful && !n.uncertain // the node, rather than its last records
	doubtful = doubtful || n.uncertain
	unsure := func(kind uint16, id fileThread) {
		if doubtful {
			out.maybe = append(out.maybe, maybe{kind: kind, fileThread: id, node: n.number, wholly: wholly})
		}
	}
	out.records += int64(len(n.recs) + n.gone)
	out.lost += eachCatalog(n, func(at int, r *catalogRecord) {
		if (r.kind == typeFolder || r.kind == typeFile) && !doubtful {
			if i := len(out.children) - 1; i >= 0 && out.children[i].id == r.parent {
				out.children[i].n++
			} else {
				out.children = append(out.children, tally{r.parent, 1})
			}
		}
		named, in := r.name, r.parent
		if r.kind == typeFileThread {
			named, in = r.thread.name, r.thread.parent
		}
		if in == idRoot && (isName(named, journalFile) || isName(named, journalInfoFil)) {
			at := int64(-1)
			if first := r.file.data.runs[0]; isName(r.name, journalFile) && first.count > 0 && l.header.holds(first) {
				at = l.at(first.start)
			}
			if out.journalAt <= 0 {
				out.journalAt = at
			}
		}
		switch {
		case r.nameless:
			out.nameless++
		case !r.ok:
		case r.kind == typeFolder:
			name := folderName(r.name)
			if r.parent == idRootParent {
				out.label = name
			}
			unsure(r.kind, fileThread{r.folder.id, r.parent, nameHash(r.name)})
			out.folders = append(out.folders, folder{id: r.folder.id, parent: r.parent, valence: r.folder.valence, name: name, doubtful: doubtful})
		case r.kind == typeFolderThread:
			unsure(r.kind, r.threadOf())
			out.threads = append(out.threads, folder{id: r.parent, parent: r.thread.parent, name: folderName(r.thread.name), fromThread: true, doubtful: doubtful})
		case r.kind == typeFileThread:
			unsure(r.kind, r.threadOf())
			if num, ok := numbered(r.thread.name, inodePrefix); ok { // its links have its number, if no more
				out.inodes = append(out.inodes, inode{number: num, parent: r.thread.parent, id: r.parent, doubtful: true, thread: true})
			}
			if !doubtful {
				out.fthreads = append(out.fthreads, r.threadOf())
			}
		default:
			f := &r.file
			unsure(r.kind, fileThread{f.id, r.parent, nameHash(r.name)})
			if !doubtful {
				out.files = append(out.files, fileThread{f.id, r.parent, nameHash(r.name)})
				data := f.data.runs[:]
				if l.isJournal(r.catalogKey, data[0]) {
					data = data[1:] // the journal, which is claimed as a structure
				}
				l.register(&out.claims, data)
				l.register(&out.claims, f.rsrc.runs[:])
			}
			if num, ok := numbered(r.name, inodePrefix); ok {
				out.inodes = append(out.inodes, inode{num, r.parent, f.id, n.number, uint16(at), f.special, doubtful, false})
			}
			if f.hardLink() {
				out.links = append(out.links, f.special)
			} else if f.folderLink() {
				name, _ := shownName(r.name)
				out.aliases = append(out.aliases, alias{f.special, r.parent, name})
			}
		}
	})
}

// threadOf is what a thread record says.
func (r *catalogRecord) threadOf() fileThread {
	return fileThread{r.parent, r.thread.parent, nameHash(r.thread.name)}
}

func nameHash(raw []byte) uint32 { return uint32(keyHash(raw)) }

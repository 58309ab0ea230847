package ext

import (
	"cmp"
	"context"
	"encoding/binary"
	"fmt"
	"slices"

	"fileassay/extract/partial"
)

// folderPlan is a folder with where its blocks lie, before they are read.
type folderPlan struct {
	number    uint32
	seed      uint32
	flags     uint32
	blocks    uint64 // of the folder
	runs      []run
	unused    bool
	parent    uint32
	names     nameList // of an inline folder
	cutBlocks int64
	untested  int // blocks whose entries were all read, and whose checksum was not, or not all that it covers
	bad       int // blocks that were read and are none of the folder
	// first is set where the folder's first block is at hand, astray where blocks of
	// it may stand elsewhere: its inode does not say where they lie, or what was
	// read there is none of the folder.
	first, astray bool
	foreign       bool // its first block is another folder's
	outdated      bool // an older version of a block is in the journal's log, and nothing newer
	why           []string
}

// planFolders finds the folders among the inodes and where their blocks lie,
// and collects what all inodes claim.
func (t *tree) planFolders(ctx context.Context) ([]folderPlan, *claimed, error) {
	type planned struct {
		folders []folderPlan
		bad     int64 // inodes in use that fail their checks
		claimed
	}
	var plans []folderPlan
	var all claimed
	err := eachChunk(ctx, t.records, "folders", false,
		func(c chunk) *planned {
			var out planned
			p := newMapper(t.layout)
			m := t.inodeBitmap(c.group)
			t.readChunk(c, func(k uint32, rec *record) {
				own := t.ownInode(rec.Number)
				if rec.state == recordCondemned && (own || m.mayBeUsed(k)) {
					out.bad++
				}
				if rec.state != recordLive && !(own && rec.state == recordFree && rec.Number < t.sb.FirstInode) {
					if !own && rec.orphan(&m, c.first+k) {
						p.addInode(&out.claimed, rec, nil)
					}
					return
				}
				unused := !own && rec.Number != rootInode && t.unused(&m, c.first+k)
				var got *mapping
				if !own && rec.isFolder() {
					var f folderPlan
					f, got = t.planFolder(p, &rec.inode)
					f.unused = unused
					out.folders = append(out.folders, f)
				}
				if unused {
					out.idle = append(out.idle, rec.Number)
					return
				}
				if !t.groups.list[c.group].Guessed { // else it speaks against no other's claim
					p.addInode(&out.claimed, rec, got)
				}
			})
			return &out
		},
		func(out *planned) error {
			plans = append(plans, out.folders...)
			t.bad += out.bad
			all.addAll(&out.claimed)
			return nil
		})
	return plans, &all, err
}

// planFolder says where a folder's entries stand; m is where its blocks lie,
// nil where it has none.
func (t *tree) planFolder(p *mapper, n *inode) (f folderPlan, m *mapping) {
	f = folderPlan{number: n.Number, seed: n.Seed, flags: n.Flags}
	if n.Flags&inodeInlineData != 0 && t.sb.Incompat&incompatInlineData != 0 {
		t.readInlineFolder(n, &f)
		return f, nil
	}
	got := p.mapInode(n)
	f.blocks, f.runs, f.why = t.fileBlocks(n.Size), got.Runs, got.Why
	if end := got.written(); end > f.blocks {
		f.lose(end-f.blocks, "it has blocks past its size")
	}
	if got.Odd {
		f.lose(1, "")
	}
	var c content
	if (contents{mapper: p}).checkBlockCount(n, &got, &c); c.doubt {
		f.lose(1, c.why[0])
	}
	return f, &got
}

// shareOut lets each block belong to one folder, the one that it says is its own, else
// the first: so the work is bounded by the volume's size, whatever the inodes claim.
func (t *tree) shareOut(plans []folderPlan) {
	type claim struct {
		plan int
		*run
		asked bool
		says  int // as ownBlock's
	}
	buf := make([]byte, t.bs)
	says := func(c *claim) int {
		if !c.asked {
			at := c.run
			if !t.sb.metadataCsum() { // then the first block speaks for all
				at = &plans[c.plan].runs[0]
			}
			c.asked, c.says = true, t.ownBlock(&plans[c.plan], t.read(buf, at.Physical), at.Logical)
		}
		return c.says
	}
	var all []claim
	for i := range plans {
		for k, r := range plans[i].runs {
			if r.Kind == runData {
				all = append(all, claim{plan: i, run: &plans[i].runs[k]})
			}
		}
	}
	slices.SortFunc(all, func(a, b claim) int {
		return cmp.Or(cmp.Compare(a.Physical, b.Physical), cmp.Compare(a.plan, b.plan), cmp.Compare(a.Logical, b.Logical))
	})
	var owner claim
	for _, c := range all {
		if owner.run != nil && c.Physical < owner.Physical+owner.Length {
			loser := c
			if by := cmp.Compare(says(&c), says(&owner)); by > 0 || by == 0 && c.plan < owner.plan {
				loser = owner
			}
			loser.Kind = runUnlocated
			if p := &plans[loser.plan]; len(p.why) < maxWhy {
				p.why = append(p.why, "its inode claims blocks that another folder holds")
			}
			if loser.run == c.run {
				continue
			}
		}
		owner = c
	}
}

// ownBlock is 1 where a block that may be the folder's says that it is, -1 where it
// says that it is another's, else 0: by its checksum, and without these the first
// block by its first entry.
func (t *tree) ownBlock(f *folderPlan, b partial.Bytes, logical uint64) int {
	switch {
	case !b.Whole():
		return 0
	case t.sb.metadataCsum():
		if checkDirBlock(&t.sb, f.seed, b.Data) == blockBad {
			return -1
		}
		return 1
	case logical > 0:
		return 0
	}
	switch s, ok := folderBlock(b.Data); {
	case !ok:
		return 0
	case s.self == f.number:
		return 1
	}
	return -1
}

// readFolder reads a folder's entries into names.
func (t *tree) readFolder(f *folderPlan, names *nameList) {
	names.append(&f.names)
	f.names = nameList{}
	kind, index := t.hashIndex(f)
	const most = 32 // blocks read at once
	buf, done := t.borrow(most * t.bs)
	defer done()
	pos := uint64(0)
	hole := func(next uint64) {
		if next > pos {
			f.astray = true
			f.lose(next-pos, "a part of it has no storage, which a folder's never lacks")
		}
	}
	for _, r := range f.runs {
		if r.Logical >= f.blocks {
			break
		}
		n := min(r.Length, f.blocks-r.Logical)
		hole(r.Logical)
		pos = r.Logical + n
		if r.Kind != runData {
			f.astray = true
			f.lose(n, "")
			continue
		}
		for i := uint64(0); i < n; i += most {
			k := min(most, n-i)
			b := t.read(buf[:int64(k)*t.bs], r.Physical+i)
			for j := range k {
				t.readFolderBlock(f, names, b.Slice(int(j)*int(t.bs), int(t.bs)), r.Logical+i+j, r.Physical+i+j, kind, index)
			}
		}
	}
	hole(f.blocks)
	f.astray = f.astray || f.blocks == 0 && f.flags&inodeInlineData == 0
	f.runs = nil
}

// lose notes that blocks of the folder give no entries.
func (f *folderPlan) lose(blocks uint64, why string) {
	f.cutBlocks += int64(min(blocks, 1<<40))
	if why != "" && len(f.why) < maxWhy && !slices.Contains(f.why, why) {
		f.why = append(f.why, why)
	}
}

// readFolderBlock takes the entries of one block of a folder.
func (t *tree) readFolderBlock(f *folderPlan, names *nameList, b partial.Bytes, logical, block uint64, kind uint8, index map[uint64]hashRange) {
	if t.copies[block].weak {
		f.lose(1, fmt.Sprintf("block %d of the folder is in the journal, where its checksum does not vouch for it", block))
	}
	if _, older := t.older[block]; older && !t.copies[block].weak {
		f.astray, f.outdated = true, true
	}
	if t.sb.metadataCsum() && b.Whole() {
		kind := checkDirBlock(&t.sb, f.seed, b.Data)
		if kind == blockBad {
			f.bad++
			f.astray = true
			f.lose(1, fmt.Sprintf("block %d of the folder fails its checksum", block))
		}
		if kind == blockBad || kind == blockIndex && logical > 0 {
			return
		}
	} else if logical == 0 && t.ownBlock(f, b, 0) < 0 {
		f.foreign = true
	}
	if f.foreign { // without checksums, nothing tells whose the further blocks are
		f.bad++
		f.astray = true
		f.lose(1, "the block where its inode says that it begins is another folder's")
		return
	}
	hashes, indexed := index[logical]
	misplaced := 0
	whole, fault := walkDirents(&t.sb, b, f.flags&inodeEncrypt != 0, func(d dirent) {
		if indexed && !hashes.holds(&t.sb, kind, d.Name) {
			misplaced++
		}
		t.takeDirent(f, names, d)
	})
	if misplaced > 0 {
		f.lose(1, fmt.Sprintf("block %d of the folder holds %d names that its index puts elsewhere", block, misplaced))
	}
	switch {
	case fault != "":
		f.bad++
		f.lose(1, fmt.Sprintf("block %d of the folder: %s", block, fault))
	case !whole:
		f.lose(1, fmt.Sprintf("block %d of the folder is unread in part or whole", block))
	case t.sb.metadataCsum() && !b.Whole():
		f.untested++ // what was read of it may be of two versions
	}
	if logical == 0 && b.Has(0, firstEntries) {
		s, ok := folderBlock(b.Data)
		f.first = ok && s.self == f.number && !f.outdated
		f.astray = f.astray || !f.first
	}
}

// takeDirent takes an entry in use.
func (t *tree) takeDirent(f *folderPlan, names *nameList, d dirent) {
	switch string(d.Name) {
	case ".":
		return
	case "..":
		f.parent = d.Inode
		return
	}
	if d.Inode == rootInode || t.ownInode(d.Inode) {
		return
	}
	names.add(f.number, d.Inode, d.Type, d.Name)
}

// readInlineFolder takes the entries of a folder that stands in its inode: the
// number of its parent, then entries to the end of i_block, then entries in
// the attribute. ext4: ifork, "Inline Directories".
func (t *tree) readInlineFolder(n *inode, f *folderPlan) {
	f.first = true
	parts := n.inlineParts()
	if len(parts) == 0 || parts[0].Length < 4 {
		f.lose(1, "its entries were not found in its inode")
		return
	}
	var have int64
	for i, x := range parts {
		have += x.Length
		b := n.raw[x.At : x.At+x.Length]
		if i == 0 {
			f.parent = binary.LittleEndian.Uint32(b)
			b = b[4:]
		}
		if _, fault := walkDirents(&t.sb, partial.Bytes{Data: b}, n.Flags&inodeEncrypt != 0, func(d dirent) {
			t.takeDirent(f, &f.names, d)
		}); fault != "" {
			f.lose(1, "the folder in the inode: "+fault)
		}
	}
	if have < n.Size {
		f.lose(1, "the part of the folder that stands in an attribute was not found")
	}
}

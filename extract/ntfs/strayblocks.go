package ntfs

import (
	"cmp"
	"context"
	"slices"

	"fileassay/extract"
	"fileassay/extract/bitmap"
	"fileassay/extract/claims"
	"fileassay/extract/partial"
	"fileassay/extract/ranges"
)

// strayBlock is an index block found on the volume itself, since the record of
// its folder, which says where the folder's blocks lie, is unread.
type strayBlock struct {
	image  int64
	vcn    int64
	folder reference // that every entry in it names as its parent
	names  []indexEntry
}

// findStrays looks for index blocks in space that nothing read so far
// claims, and takes names for needy records from them. A block is believed if
// its fixups hold, every entry names one folder as its parent, and that folder
// is known to be alive with the very sequence number of the entries: it is the
// root, or a read record or a believed index names it so, or, where its own record
// is unread, two blocks of it or more speak for each other. A folder whose own
// index was wholly read has no such blocks: they are those of another volume,
// whose image lies in a file. Of two blocks that claim the same place in one
// folder neither is believed, nor one that others refute. That a block's place
// is allocated is no proof: folders keep blocks that they no longer use.
func (c *names) findStrays(ctx context.Context) error {
	blocks, err := c.scanBlocks(ctx)
	if err != nil {
		return err
	}
	slices.SortFunc(blocks, func(a, b strayBlock) int {
		return cmp.Or(cmp.Compare(a.folder, b.folder), cmp.Compare(a.vcn, b.vcn), cmp.Compare(a.image, b.image))
	})
	byFolder := map[reference][]strayBlock{}
	for i, b := range blocks {
		same := func(o strayBlock) bool { return o.folder == b.folder && o.vcn == b.vcn }
		if i > 0 && same(blocks[i-1]) || i+1 < len(blocks) && same(blocks[i+1]) {
			continue
		}
		byFolder[b.folder] = append(byFolder[b.folder], b)
	}
	taken := map[int64]bool{}
	known := nameSet{}
	for _, list := range c.byFolder {
		for _, n := range list {
			known.add(n)
		}
	}
	for _, b := range c.believe(byFolder) {
		c.strays = append(c.strays, b.image)
		taken[b.image] = true
		if n := b.folder.number(); n >= firstFile {
			if _, told := c.parents[n]; !told {
				c.parents[n] = b.folder.seq()
			}
		}
		for _, n := range b.names {
			if k := n.child.number(); known.add(n) {
				c.byFolder[k] = append(c.byFolder[k], n)
			}
		}
	}
	doubted := map[reference]bool{}
	for _, list := range byFolder {
		for _, b := range list {
			for _, n := range b.names {
				if !taken[b.image] && known.add(n) {
					doubted[n.child] = true
				}
			}
		}
	}
	c.unlisted = int64(len(doubted))
	return nil
}

// believe is the blocks of folders that are known to be alive, without those
// that another refutes: a record's sequence number only grows, so a name that
// has an older one than the record, or than another name of it, is of a file
// that was deleted, and a block that still holds it is not in use any more.
func (c *names) believe(byFolder map[reference][]strayBlock) []strayBlock {
	stale := map[int64]bool{} // by their places
	for round := 0; ; round++ {
		if round == mostRounds {
			return nil // made to be slow
		}
		blocks := c.aliveBlocks(byFolder, stale)
		newest := map[uint64]uint16{}
		note := func(n uint64, seq uint16) {
			if s, ok := newest[n]; !ok || newer(seq, s) {
				newest[n] = seq
			}
		}
		for _, b := range blocks {
			for _, e := range b.names {
				n := e.child.number()
				_, noted := newest[n]
				note(n, e.child.seq())
				if noted {
					continue
				}
				for _, o := range c.byFolder[n] {
					note(n, o.child.seq())
				}
				if c.isUsed(n) && !c.isFound(n) {
					note(n, c.seqs[n])
				}
			}
		}
		refuted := false
		for _, b := range blocks {
			if slices.ContainsFunc(b.names, func(e indexEntry) bool { return e.child.seq() != newest[e.child.number()] }) {
				stale[b.image], refuted = true, true
			}
		}
		if !refuted {
			return blocks
		}
	}
}

// mostRounds bounds how often what was found leads to more: how long a row of the
// table's own further records each of which another one leads to, of blocks that
// refute others.
const mostRounds = 64

// newer reports whether a sequence number comes after another: they begin anew
// behind the largest.
func newer(a, b uint16) bool { return int16(a-b) > 0 }

// aliveBlocks are the blocks that are not stale, of the folders that are alive:
// from the root and from what read records name, downward.
func (c *names) aliveBlocks(byFolder map[reference][]strayBlock, stale map[int64]bool) []strayBlock {
	var alive []reference
	for ref := range byFolder {
		n := ref.number()
		if c.isUsed(n) && !c.torn[n] {
			continue // all its blocks were read: this is another volume's
		}
		seq, isParent := c.parents[n]
		f, isFolder := c.folders[n]
		known := n == recRoot || isParent && seq == ref.seq() || isFolder && f.seq == ref.seq()
		if !known && !isParent && !isFolder && c.mark(n).needy() && !c.isUsed(n) {
			known = c.agree(byFolder[ref], stale)
		}
		if known {
			alive = append(alive, ref)
		}
	}
	slices.Sort(alive)
	known := map[reference]bool{}
	for _, ref := range alive {
		known[ref] = true
	}
	var out []strayBlock
	for i := 0; i < len(alive); i++ {
		for _, b := range byFolder[alive[i]] {
			if stale[b.image] {
				continue
			}
			out = append(out, b)
			for _, n := range b.names {
				if _, more := byFolder[n.child]; n.folder && more && !known[n.child] {
					known[n.child] = true
					alive = append(alive, n.child)
				}
			}
		}
	}
	return out
}

// agree reports whether several of a folder's blocks that are not stale stand in
// places of their own: they speak for each other, and for the folder.
func (c *names) agree(list []strayBlock, stale map[int64]bool) bool {
	n := 0
	for _, b := range list {
		if !stale[b.image] {
			n++
		}
	}
	return n > 1
}

// scanBlocks finds index blocks in space that is allocated, or not known to be
// free, and that nothing read so far claims.
func (c *names) scanBlocks(ctx context.Context) (out []strayBlock, err error) {
	claimed := c.claims.All()
	if len(c.refuted) > 0 { // what these claim is open
		again, err := c.claimedByRecords(ctx)
		if err != nil {
			return nil, err
		}
		claimed = *again
	}
	known := claims.Owned{Files: claimed}
	c.claimTable(&known.Files)
	var where []ranges.Range
	err = known.Space(c.start, min(c.length, c.r.Size()-c.start), c.allocation(c.allocated))(ctx, func(start, length int64, use extract.Use) error {
		if use == extract.UseUnclaimed || use == extract.UseUnknown {
			where = append(where, ranges.Range{Start: start, End: start + length})
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	where = append(where, c.openBlocks()...)
	size := c.boot.IndexSize
	grid := min(size, c.cluster)
	err = scan(ctx, c.area, "looking for folder blocks", where, size, func(b partial.Bytes, from, to int64) (found []strayBlock) {
		block := make([]byte, size)
		for at := from + (grid-(from-c.start)%grid)%grid; at < to; at += grid {
			o := int(at - from)
			if string(b.Data[o:o+4]) != "INDX" {
				continue
			}
			copied := b.Slice(o, int(size))
			copied.Data = append(block[:0], copied.Data...)
			if s, ok := c.parseStray(copied); ok {
				s.image = at
				found = append(found, s)
			}
		}
		return found
	}, func(found []strayBlock) { out = append(out, found...) })
	return out, err
}

// openBlocks are the places of the blocks of folders of which a record was read, and
// not what says which blocks are in use.
func (c *names) openBlocks() []ranges.Range {
	var out ranges.Set
	for _, x := range c.extends {
		if c.isUsed(x.base) {
			continue
		}
		for a, e := range c.claimed(c.readRecord(x.record)) {
			if a.typ == attrIndexAlloc {
				out.Add(e.Image, e.Length)
			}
		}
	}
	for n := range c.torn {
		dir := c.file(c.readRecord(n))
		if x := c.index(&dir); x.blocks != nil {
			for off, state := range x.inUse() {
				if state != bitmap.Unknown {
					continue
				}
				for _, e := range x.stream.stored(off, x.size) {
					out.Add(e.Image, e.Length)
				}
			}
		}
	}
	return slices.Collect(out.All())
}

// parseStray decodes an index block that no folder's record leads to.
func (c *names) parseStray(b partial.Bytes) (s strayBlock, ok bool) {
	from, to, ok := openBlock(&b)
	if !ok || from+entryKey+nameText > to || !b.Has(from, entryKey+nameText) {
		return s, false
	}
	s.vcn = int64(le.Uint64(b.Data[blockVCN:]))
	e, n, last, err := parseIndexEntry(b.Data[from:to])
	if err != nil || last || !e.exact(b.Data[from:to], n, e.parent) {
		return s, false
	}
	s.folder = e.parent
	one := true
	walkEntries(b, from, to, s.folder, func(e indexEntry) {
		k := e.child.number()
		switch {
		case e.parent != s.folder:
			one = false
		case k < firstFile || !c.mark(k).needy():
		case c.isUsed(k) && c.seqs[k] != e.child.seq():
		default:
			s.names = append(s.names, e)
		}
	})
	return s, one
}

package ntfs

import (
	"cmp"
	"context"
	"slices"

	"fileassay/extract"
	"fileassay/extract/claims"
	"fileassay/extract/ranges"
)

// strayBlock is an index block found on the volume itself, since the record of
// its folder, which says where the folder's blocks lie, is unread.
type strayBlock struct {
	image  int64
	vcn    int64
	folder reference // that every entry in it names as its parent
	names  []nameOnly
}

// findStrayBlocks looks for index blocks in space that nothing read so far
// claims, and takes names for needy records from them. A block is believed if
// its fixups hold, every entry names one folder as its parent, and that folder
// is known to be alive with the very sequence number of the entries: it is the
// root, or a read record or a believed index names it so. A folder whose own
// index was wholly read has no such blocks: they are those of another volume,
// whose image lies in a file. Of two blocks that claim the same place in one
// folder neither is believed, nor one that others refute. That a block's place
// is allocated is no proof: folders keep blocks that they no longer use.
func (v *Volume) findStrayBlocks(ctx context.Context) error {
	c := &v.census
	if !v.lacksNames() {
		return nil
	}
	var claimed ranges.Set
	if err := v.claimKnown(ctx, &claimed); err != nil {
		return err
	}
	for _, e := range v.table.extents {
		claimed.Add(e.Image, e.Length)
	}
	blocks, err := v.scanBlocks(ctx, &claimed)
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
	believed := v.believe(byFolder)
	taken := map[int64]bool{}
	for _, b := range believed {
		v.strays++
		taken[b.image] = true
		v.claims.Structures.Add(b.image, v.boot.IndexSize)
		for _, n := range b.names {
			k := n.child.number()
			if !slices.ContainsFunc(c.names[k], n.same) {
				c.names[k] = append(c.names[k], n)
			}
		}
	}
	doubted := map[reference]bool{}
	for _, list := range byFolder {
		for _, b := range list {
			for _, n := range b.names {
				if !taken[b.image] && !slices.ContainsFunc(c.names[n.child.number()], n.same) {
					doubted[n.child] = true
				}
			}
		}
	}
	v.doubted = int64(len(doubted))
	return nil
}

// believe is the blocks of folders that are known to be alive, without those
// that another refutes: a record's sequence number only grows, so a name that
// has an older one than the record, or than another name of it, is of a file
// that was deleted, and a block that still holds it is not in use any more.
func (v *Volume) believe(byFolder map[reference][]strayBlock) []strayBlock {
	stale := map[int64]bool{} // by their places
	for {
		blocks := v.aliveBlocks(byFolder, stale)
		newest := map[uint64]uint16{}
		note := func(n uint64, seq uint16) {
			if s, ok := newest[n]; !ok || newer(seq, s) {
				newest[n] = seq
			}
		}
		for _, b := range blocks {
			for _, e := range b.names {
				n := e.child.number()
				note(n, e.child.seq())
				for _, o := range v.census.names[n] {
					note(n, o.child.seq())
				}
				if n < uint64(len(v.census.marks)) && v.census.marks[n].state() == recordUsed && !v.table.isFound(n) {
					note(n, v.census.seqs[n])
				}
			}
		}
		refuted := false
		for _, b := range blocks {
			if slices.ContainsFunc(b.names, func(e nameOnly) bool { return e.child.seq() != newest[e.child.number()] }) {
				stale[b.image], refuted = true, true
			}
		}
		if !refuted {
			return blocks
		}
	}
}

// newer reports whether a sequence number comes after another: they begin anew
// behind the largest.
func newer(a, b uint16) bool { return int16(a-b) > 0 }

// aliveBlocks are the blocks that are not stale, of the folders that are alive:
// from the root and from what read records name, downward.
func (v *Volume) aliveBlocks(byFolder map[reference][]strayBlock, stale map[int64]bool) []strayBlock {
	c := &v.census
	var alive []reference
	for ref := range byFolder {
		n := ref.number()
		if n < uint64(len(c.marks)) && c.marks[n].state() == recordUsed && !c.torn[n] {
			continue // all its blocks were read: this is another volume's
		}
		seq, isParent := c.parents[n]
		f, isFolder := c.folders[n]
		if n == recRoot || isParent && seq == ref.seq() || isFolder && f.seq == ref.seq() {
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

// lacksNames reports whether a record that may be in use was not read and has
// no name yet.
func (v *Volume) lacksNames() bool {
	c := &v.census
	for from := 0; from < len(c.marks); from += chunkRecords {
		part := c.marks[from:min(from+chunkRecords, len(c.marks))]
		if !slices.ContainsFunc(part, func(m recordMark) bool { return m.needy() && m.state() != recordUsed }) {
			continue
		}
		used, known := v.table.inUse(uint64(from), uint64(len(part)))
		for i, m := range part {
			n := uint64(from + i)
			if m.needy() && m.state() != recordUsed && (used[i] || !known[i]) && len(c.names[n]) == 0 && !v.extending[n] && n >= firstFile {
				return true
			}
		}
	}
	return false
}

// scanBlocks finds index blocks in space that is allocated, or not known to be
// free, and not claimed.
func (v *Volume) scanBlocks(ctx context.Context, claimed *ranges.Set) ([]strayBlock, error) {
	const step = 4 << 20
	var parts []ranges.Range
	var total int64
	known := claims.Owned{Files: *claimed}
	err := known.Space(v.start, min(v.length, v.r.Size()-v.start), v.allocation())(ctx, func(start, length int64, use extract.Use) error {
		if use != extract.UseUnclaimed && use != extract.UseUnknown {
			return nil
		}
		total += length
		for end := start + length; start < end; start += step {
			parts = append(parts, ranges.Range{Start: start, End: min(start+step, end)})
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	var out []strayBlock
	done := int64(0)
	type found struct {
		blocks []strayBlock
		n      int64
	}
	err = extract.InOrder(ctx, v.opt.Workers(), len(parts), func(_ context.Context, i int) (found, error) {
		return found{v.blocksIn(parts[i]), parts[i].End - parts[i].Start}, nil
	}, func(f found) error {
		out = append(out, f.blocks...)
		done += f.n
		v.opt.Report("looking for folder blocks", done, total)
		return nil
	})
	return out, err
}

// blocksIn finds the index blocks that begin in a part of the image.
func (v *Volume) blocksIn(part ranges.Range) []strayBlock {
	size := v.boot.IndexSize
	if v.noneRead(part.Start, part.End-part.Start) {
		return nil
	}
	grid := min(size, v.cluster)
	b := make([]byte, part.End-part.Start+size)
	var gaps []ranges.Range
	for _, u := range v.r.ReadReadable(b, part.Start) {
		gaps = append(gaps, ranges.Range{Start: u.Start, End: u.End()})
	}
	var out []strayBlock
	block := make([]byte, size)
	at := part.Start + (grid-(part.Start-v.start)%grid)%grid
	for ; at < part.End; at += grid {
		o := at - part.Start
		if string(b[o:o+4]) != "INDX" {
			continue
		}
		var bad strides
		bad, gaps = badStrides(gaps, at, size)
		if bad.has(0) {
			continue
		}
		copy(block, b[o:o+size])
		if s, ok := v.parseStray(block, bad); ok {
			s.image = at
			out = append(out, s)
		}
	}
	return out
}

// parseStray decodes an index block that no folder's record leads to.
func (v *Volume) parseStray(b []byte, bad strides) (strayBlock, bool) {
	s := strayBlock{}
	_, torn, err := applyFixups(b, bad)
	if err != nil || torn.has(0) {
		return s, false
	}
	bad |= torn
	s.vcn = int64(le.Uint64(b[blockVCN:]))
	first, used := int64(le.Uint32(b[blockHeader+headerFirst:])), int64(le.Uint32(b[blockHeader+headerUsed:]))
	if first < headerSize || used < first || blockHeader+used > int64(len(b)) {
		return s, false
	}
	from, to := int(blockHeader+first), int(blockHeader+used)
	if from+entryKey+nameText > to || !bad.clean(from, from+entryKey+nameText) {
		return s, false
	}
	e, n, last, err := parseIndexEntry(b[from:to])
	if err != nil || last || !e.exact(b[from:to], n, e.parent) {
		return s, false
	}
	s.folder = e.parent
	c := &v.census
	one := true
	walkEntries(b, from, to, bad, s.folder, func(e indexEntry) {
		if e.parent != s.folder {
			one = false
			return
		}
		k := e.child.number()
		if k < firstFile || k >= v.table.count && v.table.sized || k < uint64(len(c.marks)) && !c.marks[k].needy() {
			return
		}
		if k < uint64(len(c.marks)) && c.marks[k].state() == recordUsed && c.seqs[k] != e.child.seq() {
			return
		}
		s.names = append(s.names, e.listed())
	})
	return s, one
}

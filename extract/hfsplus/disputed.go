package hfsplus

import (
	"context"
	"slices"

	"fileassay/extract"
	"fileassay/extract/bitmap"
	"fileassay/extract/claims"
	"fileassay/extract/ranges"
)

// disputed is what speaks against what files and the volume's own structures claim,
// in bytes of the image.
type disputed struct {
	shared     ranges.Set // what more than one of them claims
	freed      ranges.Set // what one claims and the allocation file calls free
	hidden     string     // where whether there is a journal is not known: what openAt says of one that nothing names
	miscounted bool       // the allocation file has another number of free blocks than the volume header counts
}

// dispute finds it, once all claims are known. An allocation file that lost bits is
// not held against them: it was wholly read, has nothing in use that no file claims,
// and as many free blocks more than the volume header counts as files claim of them.
func (l *layout) dispute(ctx context.Context, c *claims.Register) (d disputed, err error) {
	d.shared = c.Twice()
	m, blocks := l.allocated(), int64(l.header.totalBlocks)
	if !l.alternate && !l.headerStale && m.Count(0, blocks, bitmap.Unknown) == 0 && m.Count(0, blocks, bitmap.Clear) != int64(l.header.freeBlocks) {
		d.miscounted = true
	}
	all := c.All()
	if l.journal.unknown {
		if d.hidden, err = l.hiddenJournal(ctx, &all); err != nil {
			return d, err
		}
	}
	claimed, free := int64(0), int64(0) // of what is in use, and of what is free, in bytes
	err = m.Runs(ctx, 0, blocks, func(first, n int64, s bitmap.State) error {
		for r := range all.Within(l.at(uint32(first)), n*l.header.blockSize) {
			switch s {
			case bitmap.Clear:
				d.freed.Add(r.Start, r.Len())
				free += r.Len()
			case bitmap.Set:
				claimed += r.Len()
			}
		}
		return nil
	})
	bs := l.header.blockSize
	if d.miscounted && claimed == m.Count(0, blocks, bitmap.Set)*bs && m.Count(0, blocks, bitmap.Clear)-free/bs == int64(l.header.freeBlocks) {
		d.freed = ranges.Set{}
	}
	d.freed.Len() // settled here: several goroutines ask it
	return d, err
}

// allocated is the allocation file, which has a bit for each block (TN1150,
// Allocation File).
func (l *layout) allocated() *bitmap.Map {
	return &bitmap.Map{Bits: min(int64(l.header.totalBlocks), 8*l.allocation.size), Order: bitmap.HighFirst, Read: l.allocation.read}
}

// against says why what lies in the runs is not proved to be who claims it; ""
// where nothing speaks against it. Of two that claim a block at least one holds
// what is not its own, and nothing tells which.
func (d *disputed) against(list runs) string {
	in := func(s *ranges.Set) bool {
		return s.Len() > 0 && slices.ContainsFunc(list, func(e extract.Extent) bool { return s.Touches(e.Image, e.Length) })
	}
	switch {
	case in(&d.shared):
		return "another file, or one of the volume's own structures, claims a part of the same blocks: nothing tells whose they are"
	case in(&d.freed):
		return "the allocation file calls a part of its blocks free: nothing tells whether they still hold what it says"
	}
	return ""
}

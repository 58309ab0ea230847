package ext

import (
	"fileassay/extract/needs"
	"fileassay/extract/ranges"
)

// needsOfBlocks adds blocks, in their newest versions, to what is needed.
func (v *layout) needsOfBlocks(list []ranges.Range, blocks ...uint64) []ranges.Range {
	l := needs.New(v.r, needs.Most)
	l.AddAll(list)
	for _, b := range blocks {
		if b < v.sb.Blocks {
			l.Add(v.offset(b), v.bs)
		}
	}
	return l.Ranges()
}

// needsOfRecord is what an inode known by name alone needs: its record, or
// else what says where that stands.
func (v *layout) needsOfRecord(number uint32) []ranges.Range {
	g, _, ok := v.groupOf(number)
	if !ok {
		return nil
	}
	l := needs.New(v.r, needs.Most)
	if d := &v.groups.list[g]; d.Known && !d.Guessed {
		block, off := v.recordPlace(number)
		l.Add(v.offset(block)+off, int64(v.sb.InodeSize))
		return l.Ranges()
	}
	size := uint64(v.sb.DescSize)
	perBlock := uint64(v.bs) / size
	var copies []int64
	for _, at := range descCopies(&v.sb, g/perBlock) {
		if block, ok := descBlock(&v.sb, g/perBlock, at); ok {
			copies = append(copies, v.offset(block)+int64(g%perBlock*size))
		}
	}
	l.First(int64(size), copies...)
	return l.Ranges()
}

// needsOfFolder is what a folder needs whose content c is not wholly read.
func (v *layout) needsOfFolder(c *content) []ranges.Range {
	l := needs.New(v.r, needs.Most)
	l.AddAll(c.needs)
	for _, s := range c.files {
		for b := uint64((s.Start - v.start) / v.bs); b < uint64((s.End-v.start)/v.bs) && !l.Full(); b++ {
			l.Add(v.offset(b), v.bs)
		}
	}
	return l.Ranges()
}

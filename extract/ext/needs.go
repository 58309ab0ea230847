package ext

import (
	"fileassay/extract/imap"
	"fileassay/extract/ranges"
)

const (
	// maxNeeds bounds the ranges asked for on behalf of one file or folder at
	// once; once they were read, the rest is asked for.
	maxNeeds = 1 << 8
	// logStep is how many blocks of a journal's log are asked for at once.
	logStep = 64
)

// needs collects ranges of the image that must be read before more is known.
type needs struct {
	v    *Volume
	list []ranges.Range
}

// add takes n bytes at image, if a part of them was not read.
func (w *needs) add(image, n int64) {
	if n <= 0 || image < 0 || w.v.r.IsRead(image, n) {
		return
	}
	if k := len(w.list) - 1; k >= 0 && w.list[k].End == image {
		w.list[k].End += n
	} else if len(w.list) < maxNeeds {
		w.list = append(w.list, ranges.Range{Start: image, End: image + n})
	}
}

// spans takes ranges of the image.
func (w *needs) spans(list []ranges.Range) {
	for _, s := range list {
		w.add(s.Start, s.End-s.Start)
	}
}

// block takes a block, in its newest version.
func (w *needs) block(block uint64) {
	if block < w.v.sb.Blocks {
		w.add(w.v.blockOffset(block), w.v.bs)
	}
}

// record takes the record of an inode, or else what says where it stands.
func (w *needs) record(number uint32) {
	v := w.v
	if number == 0 || number > v.sb.Inodes {
		return
	}
	g := uint64((number - 1) / v.sb.InodesPerGroup)
	if g >= uint64(len(v.groups.list)) {
		return
	}
	if v.groups.list[g].Known {
		block, off := v.recordPlace(number)
		w.add(v.blockOffset(block)+off, int64(v.sb.InodeSize))
		return
	}
	perBlock := uint64(v.bs) / uint64(v.sb.DescSize)
	before := len(w.list)
	for _, at := range descCopies(&v.sb, g/perBlock) {
		if block, ok := descBlock(&v.sb, g/perBlock, at); ok {
			w.add(v.blockOffset(block)+int64(g%perBlock)*int64(v.sb.DescSize), int64(v.sb.DescSize))
		}
		if len(w.list) > before {
			return // the first copy that is not read serves
		}
	}
}

// needsOfRecord is what an inode known by name alone needs.
func (v *Volume) needsOfRecord(number uint32) []ranges.Range {
	w := needs{v: v}
	w.record(number)
	return w.list
}

// needsOfTree is what would tell where the rest of an inode's blocks lies.
func (v *Volume) needsOfTree(m *mapping) []ranges.Range {
	if !m.Cut {
		return nil
	}
	w := needs{v: v}
	for _, b := range m.Tree {
		w.block(b)
	}
	return w.list
}

// needsOfFolder is what a folder needs whose content c is not wholly read.
func (v *Volume) needsOfFolder(c *content) []ranges.Range {
	w := needs{v: v, list: c.needs}
	for _, s := range c.files {
		first, end := uint64((s.Start-v.start)/v.bs), uint64((s.End-v.start)/v.bs)
		for b := first; b < end && len(w.list) < maxNeeds; b++ {
			w.block(b)
		}
	}
	return w.list
}

// needsOfVolume is what the volume needs that belongs to no listed entry.
func (v *Volume) needsOfVolume(t *tree) []ranges.Range {
	w := needs{v: v}
	if v.sbAt != superblockAt || !v.sb.Whole {
		w.add(v.start+superblockAt, superblockSize)
	}
	if v.journal.pending != "" {
		w.journal()
	}
	switch root := v.readInode(rootInode); root.state {
	case recordLive:
		if f := t.find(rootInode); f != nil && f.cut {
			c := v.newMapper().contentOf(&root.inode)
			w.list = append(w.list, v.needsOfFolder(&c)...)
		}
	default:
		w.record(rootInode)
	}
	return w.list
}

// journal takes what is unread of a journal that may hold newer metadata: its
// inode, what says where it lies, its superblock, and as much of its log as
// could not be followed.
func (w *needs) journal() {
	v, j := w.v, &w.v.journal
	if v.sb.JournalInode == 0 {
		return
	}
	rec := v.readInode(v.sb.JournalInode)
	if rec.state != recordLive && j.runs == nil {
		w.record(v.sb.JournalInode)
		return
	}
	w.spans(j.needs)
	if at, ok := v.journalPlace(0); ok {
		w.add(at, 1024)
	}
	if w.list == nil && j.fastAt > 0 { // the log was followed
		w.add(j.fastAt, v.bs)
	}
	if j.stopAt > 0 {
		for b := range uint32(logStep) {
			if at, ok := v.journalPlace(j.stopAt + b); ok && (int64(j.stopAt)+int64(b))*v.bs < j.size {
				w.add(at, v.bs)
			}
		}
	}
}

// noneRead reports whether nothing of n blocks from block was read, which is
// cheaper to know than to look at them.
func (v *Volume) noneRead(block, n uint64) bool {
	if len(v.overlaid(block, n)) > 0 {
		return false
	}
	for rg := range v.r.Over(v.start+int64(block)*v.bs, int64(n)*v.bs) {
		if rg.State == imap.Read {
			return false
		}
	}
	return true
}

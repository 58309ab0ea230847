package fat

import (
	"fileassay/extract/imap"
	"fileassay/extract/ranges"
)

const (
	// maxNeeds bounds the ranges asked for on behalf of one folder at once;
	// once they were read, the rest is asked for.
	maxNeeds = 1 << 8
	// fewNeeds bounds those of an entry that lacks a part of itself: where more
	// of its folder is unread, the folder asks for it.
	fewNeeds = 8
	// maxTableNeed bounds what is asked for of the table at once, bytes.
	maxTableNeed = 64 << 10
)

// needs collects ranges of the image that must be read before more is known.
type needs struct {
	t    *tree
	most int // ranges
	list []ranges.Range
}

// add takes n bytes at image, if a part of them was not read.
func (w *needs) add(image, n int64) {
	if n <= 0 || image < 0 || w.t.r.IsRead(image, n) {
		return
	}
	if k := len(w.list) - 1; k >= 0 && w.list[k].End == image {
		w.list[k].End += n
	} else if len(w.list) < w.most {
		w.list = append(w.list, ranges.Range{Start: image, End: image + n})
	}
}

// table takes the entries of n clusters from c on, which is what a chain needs
// that goes on in a row: the guess costs little where it is wrong, and saves a
// pass for each sector of the table where it is right.
func (w *needs) table(c uint32, n int64) {
	t := w.t.table
	off, size := t.place(c)
	last, _ := t.place(uint32(min(int64(c)+max(n, 1)-1, int64(t.clusters)+firstCluster-1)))
	length := min(max(last-off, 0)+size, maxTableNeed, t.bytes-off)
	before := len(w.list)
	for _, at := range t.copies {
		if w.add(at+off, length); len(w.list) > before {
			return // the first copy that is not read serves
		}
	}
}

// first takes the first entry of the table, which proves that it stands where
// the boot sector puts it.
func (w *needs) first() {
	for _, at := range w.t.table.copies {
		if w.t.r.IsRead(at, 4) {
			return
		}
	}
	w.add(w.t.table.copies[0], 4)
}

// chain takes what hides how a chain goes on, of which n more clusters are
// wanted; n is 0 where its length is not known.
func (w *needs) chain(f *followed, n int64) {
	if f.stop == stopUnread {
		w.table(f.at, n)
	}
}

// slots takes the slots of a folder that were not read, and what hides the
// rest of its chain.
func (w *needs) slots(n *node) {
	if n.tally.Ended && n.tally.Unread == 0 {
		return
	}
	for _, p := range n.parts {
		w.add(p.Image, p.Length)
	}
	if n.cut != 0 && !n.tally.Ended {
		w.table(n.cut, 0)
	}
}

// RootNeeds is what is unread of the root, as far as its place is known. It may
// be asked before Survey.
func (t *tree) RootNeeds() []ranges.Range {
	w := needs{t: t, most: maxNeeds}
	w.first()
	for _, p := range t.RootParts() {
		w.add(p.Image, p.Length)
	}
	return w.list
}

// Needs is what the volume needs that belongs to no listed entry: the rest of
// its root, and what proves the place of its table where nothing does. Valid
// after Walk.
func (t *tree) Needs() []ranges.Range {
	w := needs{t: t, most: maxNeeds}
	if t.Unproved {
		w.first()
	}
	w.slots(t.nodes[0])
	return w.list
}

// needsOf is what tells more of what is in a folder, of at most so many ranges.
func (t *tree) needsOf(n *node, most int) []ranges.Range {
	w := needs{t: t, most: most}
	w.slots(n)
	return w.list
}

// noneRead reports whether nothing of n bytes at off was read, which is
// cheaper to know than to look at them.
func (t *tree) noneRead(off, n int64) bool {
	for rg := range t.r.Over(off, n) {
		if rg.State == imap.Read {
			return false
		}
	}
	return true
}

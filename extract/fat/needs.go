package fat

import (
	"fileassay/extract/needs"
	"fileassay/extract/ranges"
)

// maxTableNeed bounds what is asked for of the table at once, bytes.
const maxTableNeed = 64 << 10

// needEntries takes the entries of n clusters from c on, which is what a chain
// needs that goes on in a row: the guess costs little where it is wrong, and
// saves a pass for each sector of the table where it is right.
func (l *layout) needEntries(w *needs.List, c uint32, n int64) {
	off, size := l.table.place(c)
	last, _ := l.table.place(uint32(min(int64(c)+max(n, 1)-1, int64(l.clusters)+firstCluster-1)))
	length := min(max(last-off, 0)+size, maxTableNeed, l.table.size-off)
	var copies []int64
	for _, at := range l.table.copies {
		copies = append(copies, at+off)
	}
	w.First(length, copies...)
}

// needProof takes the first entry of the table, which proves that it stands
// where the boot sector puts it.
func (l *layout) needProof(w *needs.List) {
	if len(l.table.copies) == 0 {
		return
	}
	for _, at := range l.table.copies {
		if l.r.IsRead(at, 4) {
			return
		}
	}
	w.Add(l.table.copies[0], 4)
}

// rootNeeds is what is unread of the root, as far as its place is known, and
// what proves the table that leads there.
func (l *layout) rootNeeds() []ranges.Range {
	w := needs.New(l.r, needs.Most)
	l.needProof(w)
	for _, p := range l.rootParts {
		w.Add(p.Image, p.Length)
	}
	return w.Ranges()
}

// needsOf is w with what tells more of what is in a folder: the slots of it that
// were not read, and what hides the rest of its chain.
func (t *records) needsOf(n *node, w *needs.List) []ranges.Range {
	if n.tally.Ended && n.tally.Unread == 0 {
		return w.Ranges()
	}
	for _, p := range n.parts {
		w.Add(p.Image, p.Length)
	}
	if n.cut != 0 && !n.tally.Ended {
		t.needEntries(w, n.cut, 0)
	}
	return w.Ranges()
}

// needs is what the volume needs that belongs to no listed entry: the rest of
// its root, and what proves the place of its table where nothing does.
func (t *records) needs() []ranges.Range {
	w := needs.New(t.r, needs.Most)
	if t.unproved {
		t.needProof(w)
	}
	for _, x := range t.witnesses {
		w.Add(x.Start, x.Len())
	}
	return t.needsOf(t.nodes[0], w)
}

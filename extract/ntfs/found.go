package ntfs

import "slices"

// trust says whether a record that was found by itself is believed to be one
// of the table. That it names its own number is no proof: a file may hold the
// image of another volume, whose records do so too.
type trust uint8

const (
	trustOpen    trust = iota // nothing speaks for it or against it
	trustProven               // a believed folder names it as it names itself
	trustRefuted              // a believed folder names its number otherwise, or should name it and does not
)

// judgeFound holds the records that were found by themselves against the
// names that folders have for them, from folders whose records have a known
// place downward.
func (c *names) judgeFound() {
	if len(c.found) == 0 {
		return
	}
	verdicts := map[uint64]trust{}
	believed := func(n uint64) bool { return !c.isFound(n) || verdicts[n] == trustProven }
	below := map[uint64][]uint64{} // records that a found folder names
	var queue []uint64
	for _, s := range c.found {
		for n := uint64(s.Start); n < min(uint64(s.End), uint64(len(c.marks))); n++ {
			if !c.isUsed(n) {
				continue
			}
			queue = append(queue, n)
			for _, e := range c.byFolder[n] {
				if p := e.parent.number(); c.isFound(p) {
					below[p] = append(below[p], n)
				}
			}
		}
	}
	for len(queue) > 0 {
		n := queue[0]
		queue = queue[1:]
		if verdicts[n] == trustProven {
			continue
		}
		verdicts[n] = c.judge(n, believed)
		if verdicts[n] == trustProven {
			queue = append(queue, below[n]...)
		}
	}
	c.trust = verdicts
	refuted := map[uint64]bool{}
	for n, verdict := range verdicts {
		if verdict != trustRefuted {
			continue
		}
		refuted[n] = true
		if len(c.readRecord(n).torn) > 0 {
			c.damaged--
		}
		c.marks[n] = recordMark(recordUnread) | markNeedy
		delete(c.folders, n)
	}
	c.refuted = refuted
	for n, list := range c.byFolder {
		list = slices.DeleteFunc(list, func(e indexEntry) bool {
			p := e.parent.number()
			return refuted[p] || c.isUsed(n) && (!believed(p) || e.child.seq() != c.seqs[n])
		})
		if len(list) == 0 {
			delete(c.byFolder, n)
		} else {
			c.byFolder[n] = list
		}
	}
}

// judge judges one found record by the folders that are believed.
func (c *names) judge(n uint64, believed func(uint64) bool) trust {
	f := c.file(c.readRecord(n))
	own := f.names()
	against := false
	for _, e := range c.byFolder[n] {
		if !believed(e.parent.number()) {
			continue
		}
		if e.child == f.ref() && slices.ContainsFunc(own, e.same) {
			return trustProven
		}
		against = against || e.space != nameDOS
	}
	if against {
		return trustRefuted
	}
	for _, o := range own {
		p := o.parent.number()
		if f, known := c.folders[p]; (p == recRoot || known && f.seq == o.parent.seq()) && believed(p) && c.isUsed(p) && !c.torn[p] {
			return trustRefuted
		}
	}
	return trustOpen
}

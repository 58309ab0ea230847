package ntfs

import (
	"context"
	"iter"
	"slices"

	"fileassay/extract/ranges"
)

// trust says whether a record that was found by itself is believed to be one
// of the table. That it names its own number is no proof: a file may hold the
// image of another volume, whose records do so too, or an older copy of the table.
// Being believed lists a record; it never proves where its file lies, for a copy
// has the same number, name and size.
type trust uint8

const (
	trustOpen     trust = iota // nothing speaks for it or against it
	trustBelieved              // a believed folder names it as it names itself
	trustRefuted               // a believed folder names its number otherwise, or should name it and does not
)

// judgeFound holds the records that were found by themselves against the
// names that folders have for them, from folders whose records have a known
// place downward.
func (c *names) judgeFound(ctx context.Context) error {
	if len(c.found) == 0 {
		return nil
	}
	verdicts := map[uint64]trust{}
	believed := func(n uint64) bool { return !c.isFound(n) || verdicts[n] == trustBelieved }
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
		if verdicts[n] == trustBelieved {
			continue
		}
		verdicts[n] = c.judge(n, believed)
		if verdicts[n] == trustBelieved {
			queue = append(queue, below[n]...)
		}
	}
	if err := c.refuteCopies(ctx, verdicts, believed); err != nil {
		return err
	}
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
			return refuted[p] || c.isUsed(n) && (!believed(p) || c.isFound(n) && e.child.seq() != c.seqs[n])
		})
		if len(list) == 0 {
			delete(c.byFolder, n)
		} else {
			c.byFolder[n] = list
		}
	}
	return nil
}

// refuteCopies refutes found records that stand in the content of a file whose
// record is believed: they are what the file holds, an older copy of the table or
// that of another volume.
func (c *names) refuteCopies(ctx context.Context, verdicts map[uint64]trust, believed func(uint64) bool) error {
	var content ranges.Set
	err := overTable(ctx, c.table, "", func(records iter.Seq[*record]) (content ranges.Set) {
		for rec := range records {
			owner := rec.number
			if rec.state == recordExtends {
				owner = rec.base.number()
			}
			if owner == recMFT || !believed(owner) || !believed(rec.number) {
				continue
			}
			for a, e := range c.claimed(rec) {
				if a.typ == attrData {
					content.Add(e.Image, e.Length)
				}
			}
		}
		return content
	}, func(part ranges.Set) error {
		content.AddAll(&part)
		return nil
	})
	for n := range verdicts {
		if at := c.stream.place(int64(n) * c.recordSize); at >= 0 && content.Touches(at, c.recordSize) {
			verdicts[n] = trustRefuted
		}
	}
	return err
}

// judge judges one found record by the folders that are believed.
func (c *names) judge(n uint64, believed func(uint64) bool) trust {
	f := c.file(c.readRecord(n))
	own := f.names()
	known := setOf(own)
	against := false
	for _, e := range c.byFolder[n] {
		if !believed(e.parent.number()) {
			continue
		}
		if e.child == f.ref() && known[e.key()] {
			return trustBelieved
		}
		against = against || e.space != nameDOS
	}
	if against {
		return trustRefuted
	}
	for _, o := range own {
		p := o.parent.number()
		if f, isFolder := c.folders[p]; (p == recRoot || isFolder && f.seq == o.parent.seq()) && believed(p) && c.isUsed(p) && !c.torn[p] {
			return trustRefuted
		}
	}
	return trustOpen
}

package ntfs

import (
	"cmp"
	"slices"

	"fileassay/extract/ranges"
)

// trust says whether a record that was found by itself is believed to be one
// of the table. That it names its own number is no proof: a file may hold the
// image of another volume, whose records do so too.
type trust uint8

const (
	trustOpen    trust = iota // nothing speaks for it or against it
	trustProven               // a believed folder names it as it names itself
	trustRefuted              // a believed folder names its number otherwise, or should name it and does not
)

// isFound reports whether a record's place is known only by the record itself.
func (t *table) isFound(n uint64) bool {
	i, _ := slices.BinarySearchFunc(t.found, int64(n), func(s ranges.Range, n int64) int { return cmp.Compare(s.End, n+1) })
	return i < len(t.found) && t.found[i].Start <= int64(n)
}

// disowned is a record that is in the table's place, and not the table's.
func (r *record) disowned() {
	*r = record{number: r.number, bad: ^strides(0), data: r.data, attrs: r.attrs[:0]}
}

// judgeFound holds the records that were found by themselves against the
// names that folders have for them, from folders whose records have a known
// place downward.
func (v *Volume) judgeFound() {
	c, t := &v.census, v.table
	if len(t.found) == 0 {
		return
	}
	verdicts := map[uint64]trust{}
	believed := func(n uint64) bool { return !t.isFound(n) || verdicts[n] == trustProven }
	below := map[uint64][]uint64{} // records that a found folder names
	var queue []uint64
	for _, s := range t.found {
		for n := uint64(s.Start); n < min(uint64(s.End), uint64(len(c.marks))); n++ {
			if c.marks[n].state() != recordUsed {
				continue
			}
			queue = append(queue, n)
			for _, e := range c.names[n] {
				if p := e.parent.number(); t.isFound(p) {
					below[p] = append(below[p], n)
				}
			}
		}
	}
	all := queue
	for len(queue) > 0 {
		n := queue[0]
		queue = queue[1:]
		if verdicts[n] == trustProven {
			continue
		}
		verdicts[n] = v.judgeRecord(n, believed)
		if verdicts[n] == trustProven {
			queue = append(queue, below[n]...)
		}
	}
	c.trust = verdicts
	for _, n := range all {
		if verdicts[n] == trustRefuted {
			c.marks[n] = recordMark(recordUnread) | markNeedy
			delete(c.folders, n)
		}
	}
	for n, list := range c.names {
		used := n < uint64(len(c.marks)) && c.marks[n].state() == recordUsed
		list = slices.DeleteFunc(list, func(e nameOnly) bool {
			p := e.parent.number()
			return verdicts[p] == trustRefuted || used && (!believed(p) || e.child.seq() != c.seqs[n])
		})
		if len(list) == 0 {
			delete(c.names, n)
		} else {
			c.names[n] = list
		}
	}
}

// judgeRecord judges one found record by the folders that are believed.
func (v *Volume) judgeRecord(n uint64, believed func(uint64) bool) trust {
	c := &v.census
	rec := v.readRecord(n)
	exts, _ := v.extensions(rec)
	own := v.names(rec, exts)
	against := false
	for _, e := range c.names[n] {
		if !believed(e.parent.number()) {
			continue
		}
		if e.child == rec.ref() && slices.ContainsFunc(own, e.same) {
			return trustProven
		}
		against = against || e.space != nameDOS
	}
	if against {
		return trustRefuted
	}
	for _, o := range own {
		p := o.parent.number()
		if f, known := c.folders[p]; (p == recRoot || known && f.seq == o.parent.seq()) && believed(p) &&
			p < uint64(len(c.marks)) && c.marks[p].state() == recordUsed && !c.torn[p] {
			return trustRefuted
		}
	}
	return trustOpen
}

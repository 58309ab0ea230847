package fat

import (
	"fmt"
	"slices"

	"fileassay/extract"
	"fileassay/extract/needs"
	"fileassay/extract/ranges"
)

// content finds where a file's content lies.
func (t *files) content(f *extract.File, e *entry) {
	if e.Size < 0 {
		f.RecordUnread = true
		return
	}
	need := t.need(e.Size)
	if need == 0 {
		if n := t.longer[tail{e.First, true}]; n > 0 && e.First != 0 {
			f.Why = append(f.Why, fmt.Sprintf("it is empty, but has a chain of %d clusters", n))
		}
		return
	}
	if e.First == 0 {
		f.Why = append(f.Why, "its entry names no cluster: all of it is unlocated")
		return
	}
	c := t.locate(e)
	runs := c.runs
	if n, ok := t.span(e.First, need); ok && e.Contiguous {
		runs = []ranges.Range{t.run(e.First, n)} // what others claim of it too
		if t.overrun {
			f.RecordUnread = true
			f.Why = append(f.Why, "too many entries claim the same clusters to tell them apart")
		}
	}
	if slices.ContainsFunc(runs, t.vacant) {
		f.RecordUnread = true
		f.Why = append(f.Why, "the allocation bitmap calls some of its clusters free")
	}
	located := min(c.n*t.cluster, e.Size)
	f.Pieces = t.lay(c.runs, e.Size, e.Valid)
	if c.stop != stopWhole {
		f.Why = append(f.Why, c.why(located))
		if c.stop == stopUnread {
			t.sum.cut += (need - c.n) * t.cluster
			want := needs.New(t.r, needs.Few)
			t.needEntries(want, c.at, need-c.n)
			f.Needs = append(f.Needs, want.Ranges()...)
		}
		if located >= e.Valid && c.stop != stopUnread {
			// what lies past the valid length is a hole, whose clusters do not
			// matter: but the chain is wrong
			f.RecordUnread = true
		}
		return
	}
	switch c.tail.Mark {
	case markNext:
		if n := t.longer[tail{c.at, false}]; n > 0 {
			f.Why = append(f.Why, fmt.Sprintf("its chain goes on for %d clusters past its size", n))
		} else {
			f.RecordUnread = true
			f.Why = append(f.Why, fmt.Sprintf("its chain goes on past its size, into cluster %d of another file or folder", c.tail.Raw))
		}
	case markFree, markBad, markInvalid:
		f.RecordUnread = true
		f.Why = append(f.Why, fmt.Sprintf("the allocation table does not end its chain after cluster %d but calls the cluster %s", c.at, c.tail.word()))
	}
	if c.tail.Mark == markUnread && t.choices[c.at].split {
		f.RecordUnread = true
		f.Why = append(f.Why, fmt.Sprintf("the copies of the allocation table disagree about cluster %d and neither is proved right", c.at))
	}
	if c.chosen > 0 {
		f.Why = append(f.Why, fmt.Sprintf("the copies of the allocation table disagree in %d entries of its chain: the one that gives a chain of its size was used", c.chosen))
	}
	if c.second && t.count.Disagree > 0 {
		f.RecordUnread = true
		f.Why = append(f.Why, "its chain rests on the second copy of the allocation table, which does not agree with the first elsewhere")
	}
}

// word is what an entry says in words.
func (v value) word() string {
	switch v.Mark {
	case markFree:
		return "free"
	case markBad:
		return "bad"
	}
	return fmt.Sprintf("%#x", v.Raw)
}

// lay gives the pieces of a file of size bytes, of which valid were written, in
// its runs, and claims those.
func (t *files) lay(runs []ranges.Range, size, valid int64) []extract.Piece {
	valid = min(valid, size)
	out := make([]extract.Piece, 0, len(runs)+1)
	off := int64(0)
	for _, r := range runs {
		t.claims.Files.Add(r.Start, r.Len())
		if off < valid {
			n := min(r.Len(), valid-off)
			out = append(out, extract.Piece{Offset: off, Length: n, Image: r.Start})
			off += n
		}
	}
	if valid < size {
		out = append(out, extract.Piece{Offset: valid, Length: size - valid, Kind: extract.Hole})
	}
	return out
}

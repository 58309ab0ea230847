package fat

import (
	"fmt"

	"fileassay/extract"
	"fileassay/extract/bitmap"
	"fileassay/extract/needs"
	"fileassay/extract/ranges"
)

// content finds where a file's content lies. It is proved where all maps vouch for
// each of its clusters: every entry of its chain was read and leads to the next, the
// last one is the end mark, and every bit of its clusters in the bitmap was read and
// is set. An entry or a bit that was not read might say otherwise, so it proves as
// little as one that does.
func (t *files) content(f *extract.File, e *entry) {
	doubt := func(format string, args ...any) {
		f.RecordUnread = true
		f.Why = append(f.Why, fmt.Sprintf(format, args...))
	}
	need := t.need(e.Size)
	switch {
	case e.Size < 0:
		f.RecordUnread = true
		return
	case need == 0 && e.First == 0:
		return
	case need == 0:
		// clusters are given out before a size is written: what was cut off, as a
		// recording is by the loss of power, has content and no size
		f.Size = -1
		if rest := t.longer[tail{e.First, true}]; rest.n > 0 {
			doubt("it is stated to be empty, but has a chain of %d clusters (%s): its true size is not known, nor what of them is its content", rest.n, t.named(rest))
		} else {
			doubt("it is stated to be empty, but its entry names cluster %d: its true size is not known", e.First)
		}
		return
	case e.First == 0:
		f.Why = append(f.Why, "its entry names no cluster: all of it is unlocated")
		return
	}
	c := t.locate(e)
	runs := c.runs
	if n, ok := t.span(e.First, need); ok && e.Contiguous {
		runs = []ranges.Range{t.run(e.First, n)} // what others claim of it too
		if t.overrun {
			doubt("too many entries claim the same clusters to tell them apart")
		}
	}
	want := needs.New(t.r, needs.Few)
	t.mapped(runs, want, doubt)
	located := min(c.n*t.cluster, e.Size)
	f.Pieces = t.lay(c.runs, e.Size, e.Valid)
	if c.stop != stopWhole {
		f.Why = append(f.Why, c.why(located))
		// what lies past the valid length is a hole, whose clusters do not
		// matter: but nothing proves the chain
		f.RecordUnread = f.RecordUnread || located >= e.Valid
		if c.stop == stopUnread {
			t.sum.cut += (need - c.n) * t.cluster
			t.needEntries(want, c.at, need-c.n)
		}
	} else {
		t.ends(&c, want, doubt)
	}
	if why := t.count.contradicted(&c); why != "" {
		doubt("%s", why)
	}
	f.Needs = append(f.Needs, want.Ranges()...)
}

// ends holds the entry of the last cluster of a file against the end mark.
func (t *files) ends(c *followed, want *needs.List, doubt func(format string, args ...any)) {
	switch c.tail.Mark {
	case markEnd:
	case markUnread:
		doubt("the allocation table's entry of its last cluster, %d, is unread in every copy", c.at)
		t.needEntries(want, c.at, 0)
	case markNext:
		if rest := t.longer[tail{c.at, false}]; rest.n > 0 {
			doubt("its chain goes on for %d clusters past its size (%s): its true size may be another", rest.n, t.named(rest))
		} else {
			doubt("its chain goes on past its size, into cluster %d of another file or folder", c.tail.Raw)
		}
	default:
		doubt("the allocation table does not end its chain after cluster %d but calls the cluster %s", c.at, c.tail.word())
	}
}

// mapped holds clusters, as ranges of the image, against the bitmap of exFAT.
func (t *files) mapped(runs []ranges.Range, want *needs.List, doubt func(format string, args ...any)) {
	if t.bits == nil {
		if t.byBitmap() {
			doubt("the allocation bitmap, which would vouch for its clusters, was not found")
		}
		return
	}
	unread := false
	for _, r := range runs {
		first, _ := t.of(r.Start)
		i, n := int64(first-firstCluster), r.Len()/t.cluster
		if t.bits.Any(i, n, bitmap.Clear) {
			doubt("the allocation bitmap calls some of its clusters free")
			return
		}
		if t.bits.Any(i, n, bitmap.Unknown) {
			unread = true
			for _, p := range t.bitsAt {
				if a, z := max(p.Offset, i/8), min(p.Offset+p.Length, (i+n+7)/8); a < z {
					want.Add(p.Image+a-p.Offset, z-a)
				}
			}
		}
	}
	if unread {
		doubt("the allocation bitmap is unread for some of its clusters")
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

package fat

import (
	"context"

	"fileassay/extract"
	"fileassay/extract/imap"
	"fileassay/extract/ranges"
)

// candidate is a cluster that nothing claims and that looks like a part of a
// folder.
type candidate struct {
	c       uint32
	start   look
	unknown bool // whether the cluster is in use is not known
}

// discover looks for folders whose own entry was not read, and surveys them:
// among what is in use and claimed by nothing, and where parts of known folders
// were not read, also among the clusters of which it is not known whether they
// are in use.
func (t *records) discover(ctx context.Context) error {
	t.turn = byLost
	gaps := false
	for _, n := range t.nodes {
		gaps = gaps || !n.complete() || n.tally.Faulty > 0
	}
	maybe := false // something may be in use and unclaimed
	err := t.eachUnclaimed(ctx, func(c uint32, use extract.Use) error {
		if use != extract.UseUnclaimed {
			maybe = true
			return nil
		}
		t.loose = true
		e := t.table.entry(c)
		for _, v := range []value{e.value, e.Alt} {
			if v.Mark == markNext && v.Raw != c && !t.taken(v.Raw) {
				t.preds.add(v.Raw)
			}
		}
		if e.Mark == markNext && !e.Disagree && !e.Second {
			t.cross(e.Raw)
		}
		return nil
	})
	if err != nil || !t.loose && !(maybe && gaps) {
		return err
	}
	found, err := t.candidates(ctx, gaps)
	if err != nil || len(found) == 0 {
		return err
	}
	return t.adopt(ctx, found)
}

// eachUnclaimed calls visit for the clusters that nothing claims and that are in
// use (UseUnclaimed) or may be (UseUnknown), in order; of these, only for those of
// which a part was read.
func (t *records) eachUnclaimed(ctx context.Context, visit func(c uint32, use extract.Use) error) error {
	each := func(start, length int64, use extract.Use) error {
		if use == extract.UseFree {
			return nil
		}
		run := func(c uint32, n int64) error {
			for ; n > 0; c, n = c+1, n-1 {
				if t.taken(c) {
					continue
				}
				if err := visit(c, use); err != nil {
					return err
				}
				if c&0xFFFF == 0 && ctx.Err() != nil {
					return ctx.Err()
				}
			}
			return ctx.Err()
		}
		next, _ := t.of(start)
		n := length / t.cluster
		if use != extract.UseUnknown {
			return run(next, n)
		}
		for x := range t.r.Over(start, n*t.cluster) {
			if x.State != imap.Read {
				continue // no more is known of it than that of its entry
			}
			c, _ := t.of(x.Start)
			c = max(c, next)
			last, _ := t.of(x.End() - 1)
			if last < c {
				continue
			}
			if err := run(c, int64(last-c)+1); err != nil {
				return err
			}
			next = last + 1
		}
		return ctx.Err()
	}
	if t.alloc == nil {
		return each(t.heap, t.end()-t.heap, extract.UseUnknown)
	}
	return t.alloc(ctx, each)
}

// candidates are the unclaimed clusters that look like folders, in order. By a
// table, only the first cluster of a chain can be the first of a folder; by a
// bitmap, any can.
func (t *records) candidates(ctx context.Context, gaps bool) ([]candidate, error) {
	var list []candidate
	err := t.eachUnclaimed(ctx, func(c uint32, use extract.Use) error {
		if use == extract.UseUnknown && !gaps || !t.byBitmap() && t.preds.has(c) {
			return nil
		}
		if start := t.folderStart(c); start.Folder {
			list = append(list, candidate{c, start, use == extract.UseUnknown})
		}
		return nil
	})
	return list, err
}

// folderStart judges the first part that was read of the chain from c.
func (t *records) folderStart(c uint32) look {
	const step, tries = 512, 64
	try := 0
	for k := c; ; {
		from := int64(0)
		for u := range t.r.Unread(t.at(k), t.cluster) {
			if u.Length == t.cluster { // none of it was read
				from = t.cluster
				try += int(t.cluster / step)
			}
			break
		}
		for off := from; try < tries && off+min(t.format.folderHead(), t.cluster) <= t.cluster; off += step {
			if s, ok := t.look(c, t.at(k)+off); ok {
				s.Head = s.Head && k == c && off == 0
				return s
			}
			try++
		}
		e := t.table.entry(k)
		if try >= tries || t.byBitmap() || e.Mark != markNext || e.Disagree || t.taken(e.Raw) {
			return look{}
		}
		k = e.Raw
	}
}

// adopt surveys the found folders. One that another has an entry for comes
// under that one. What looks like a folder may be what a deleted one left in
// clusters that are in use for something else, or were given out and never written,
// so that nothing in it is proved: what proves a folder is that its parent names it,
// and it the parent (see folderOf). That a parent has an unread slot for it does not
// prove it: the slot may be that of a file which was given these clusters and has not
// written them.
func (t *records) adopt(ctx context.Context, list []candidate) error {
	whole := map[uint32]bool{} // folders without room for an entry that was not read
	for _, n := range t.nodes {
		if n.complete() && len(n.parts) > 0 {
			whole[n.dotdot()] = true
		}
	}
	var heads, pieces, kids set
	for _, x := range list {
		pieces.add(x.c)
		if x.start.Head {
			heads.add(x.c)
		}
	}
	for _, x := range list {
		if err := ctx.Err(); err != nil {
			return err
		}
		f := folder{First: x.c}
		if !x.start.Head {
			f = folder{Partial: true}
		}
		t.entries(f, t.part(x.c), func(e *entry) {
			if e.Folder && e.First != x.c && t.valid(e.First) {
				kids.add(e.First)
			}
		})
	}
	for _, roots := range []bool{true, false} {
		for _, x := range list {
			child := kids.has(x.c) || x.start.HasParent && x.start.Parent != x.c && heads.has(x.start.Parent)
			if child == roots || t.taken(x.c) {
				continue
			}
			if x.unknown && x.start.HasParent && whole[x.start.Parent] {
				continue // its parent has no entry for it: it was deleted
			}
			t.turn = byLost
			n := &node{orphan: true, id: t.number(t.at(x.c)) + 1, doubt: true, unknown: x.unknown, rank: byLost}
			if x.start.Head {
				n.first = x.c
			}
			if t.byBitmap() {
				t.takePieces(n, x.c, &pieces)
			} else {
				t.take(n, t.claim(x.c, -1, t.folderLimit()))
			}
			if err := t.descend(ctx, n); err != nil {
				return err
			}
			if err := t.doubted(ctx); err != nil {
				return err
			}
		}
	}
	return nil
}

// takePieces gives a found folder its clusters where no table need tell: the
// chain where there is one, else those that follow, as long as they look like
// a folder and no end mark was read.
func (t *records) takePieces(n *node, c uint32, pieces *set) {
	var f followed
	for f.n < t.folderLimit() && pieces.has(c) && !t.taken(c) {
		t.mine().add(c)
		f.runs = ranges.Append(f.runs, t.run(c, 1))
		f.n++
		if t.entries(folder{Partial: true}, t.part(c), func(*entry) {}).Ended {
			break
		}
		switch e := t.table.entry(c); {
		case e.Mark == markNext:
			c = e.Raw
		case e.Mark == markEnd || !t.valid(c+1):
			c = 0
		default:
			c++
		}
	}
	t.take(n, f)
	n.broken = "its own entry is unread, so that its length is not known"
}

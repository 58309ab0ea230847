package fat

import (
	"context"

	"fileassay/extract"
)

// candidate is a cluster that nothing claims and that looks like a part of a
// folder.
type candidate struct {
	c       uint32
	start   look
	unknown bool // whether the cluster is in use is not known
}

// Discover looks for folders whose own entry was not read, and surveys them:
// among what is in use and claimed by nothing, and where parts of known folders
// were not read, also among the clusters of which it is not known whether they
// are in use. Valid after Survey.
func (t *tree) Discover(ctx context.Context) error {
	t.orphans = len(t.nodes)
	t.late = true
	gaps := false
	for _, n := range t.nodes {
		gaps = gaps || !n.complete() || n.tally.Faulty > 0
	}
	search := false
	err := t.eachState(ctx, func(c uint32, s state) error {
		if s != stateAllocated {
			search = search || gaps
			return nil
		}
		search = true
		e := t.table.entry(c)
		for _, v := range []value{e.value, e.Alt} {
			if v.Mark == markNext && v.Raw != c && !t.taken(v.Raw) {
				t.preds.add(v.Raw)
			}
		}
		return nil
	})
	if err != nil || !search {
		return err
	}
	found, err := t.candidates(ctx, gaps)
	if err != nil || len(found) == 0 {
		return err
	}
	return t.adopt(ctx, found)
}

// taken reports whether something has claimed cluster c.
func (t *tree) taken(c uint32) bool {
	return t.claimed.has(c) || t.excess.has(c) || t.found.has(c)
}

// eachUnclaimed calls visit for the clusters in use that nothing claims, in
// order.
func (t *tree) eachUnclaimed(ctx context.Context, visit func(c uint32) error) error {
	return t.eachState(ctx, func(c uint32, s state) error {
		if s != stateAllocated {
			return nil
		}
		return visit(c)
	})
}

// eachState calls visit for the clusters that nothing claims and that are in
// use or may be, in order.
func (t *tree) eachState(ctx context.Context, visit func(c uint32, s state) error) error {
	each := func(first uint32, n int64, s state) error {
		if s != stateAllocated && s != stateUnknown {
			return nil
		}
		for c := first; n > 0; c, n = c+1, n-1 {
			if t.taken(c) {
				continue
			}
			if err := visit(c, s); err != nil {
				return err
			}
			if c&0xFFFF == 0 && ctx.Err() != nil {
				return ctx.Err()
			}
		}
		return ctx.Err()
	}
	if t.Allocation == nil {
		return each(firstCluster, int64(t.geo.clusters), stateUnknown)
	}
	return t.Allocation(ctx, each)
}

// candidates are the unclaimed clusters that look like folders, in order. By a
// table, only the first cluster of a chain can be the first of a folder; by a
// bitmap, any can.
func (t *tree) candidates(ctx context.Context, gaps bool) ([]candidate, error) {
	var list []candidate
	b := make([]byte, min(t.format.folderHead(), t.geo.cluster))
	err := t.eachState(ctx, func(c uint32, s state) error {
		if s == stateUnknown && !gaps || !t.Bitmap && t.preds.has(c) {
			return nil
		}
		if start := t.folderStart(c, b); start.Folder {
			list = append(list, candidate{c, start, s == stateUnknown})
		}
		return nil
	})
	return list, err
}

// folderStart judges the first part that was read of the chain from c.
func (t *tree) folderStart(c uint32, b []byte) look {
	const step, tries = 512, 64
	size := int64(len(b))
	try := 0
	for k := c; ; {
		from := int64(0)
		if t.noneRead(t.geo.at(k), t.geo.cluster) {
			from = t.geo.cluster
			if try += int(t.geo.cluster / step); try >= tries {
				return look{}
			}
		}
		for off := from; off+size <= t.geo.cluster; off += step {
			if _, err := t.r.ReadAt(b, t.geo.at(k)+off); err == nil {
				s := t.format.folderStart(c, b)
				s.Head = s.Head && k == c && off == 0
				return s
			}
			if try++; try >= tries {
				return look{}
			}
		}
		e := t.table.entry(k)
		if t.Bitmap || e.Mark != markNext || e.Disagree || t.taken(e.Raw) {
			return look{}
		}
		k = e.Raw
	}
}

// adopt surveys the found folders. One that another has an entry for comes
// under that one.
func (t *tree) adopt(ctx context.Context, list []candidate) error {
	gaps := map[uint32]bool{}  // folders with room for an entry that was not read
	whole := map[uint32]bool{} // and those without
	for _, n := range t.nodes {
		known := gaps
		if n.complete() && len(n.parts) > 0 {
			known = whole
		}
		known[n.first] = true
		if n.root {
			known[0] = true // "..", in a folder of the root, is 0
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
		n := &node{parent: -1, orphan: true, first: x.c, parts: []extract.Extent{{Image: t.geo.at(x.c), Length: t.geo.cluster}}}
		if !x.start.Head {
			n.first = 0
		}
		t.entries(n, func(e *entry) {
			if e.Folder && e.First != x.c && t.geo.valid(e.First) {
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
			n := &node{parent: -1, orphan: true, id: t.geo.number(t.geo.at(x.c)) + 1, doubt: true, unknown: x.unknown}
			if x.start.Head {
				n.first = x.c
				n.doubt = x.unknown || !(x.start.HasParent && (gaps[x.start.Parent] || heads.has(x.start.Parent)))
			}
			if t.Bitmap {
				t.takePieces(n, x.c, &pieces)
			} else {
				n.take(t, t.claim(x.c, -1, t.folderLimit()))
			}
			t.nodes = append(t.nodes, n)
			if err := t.descend(ctx, int32(len(t.nodes)-1)); err != nil {
				return err
			}
		}
	}
	return nil
}

// takePieces gives a found folder its clusters where no table need tell: the
// chain where there is one, else those that follow, as long as they look like
// a folder and no end mark was read.
func (t *tree) takePieces(n *node, c uint32, pieces *set) {
	f := followed{}
	limit := t.folderLimit()
	for f.n < limit && pieces.has(c) && !t.taken(c) {
		t.found.add(c)
		f.runs = appendCluster(f.runs, c)
		f.n++
		one := &node{parent: -1, orphan: true, parts: []extract.Extent{{Image: t.geo.at(c), Length: t.geo.cluster}}}
		if t.entries(one, func(*entry) {}).Ended {
			break
		}
		switch e := t.table.entry(c); {
		case e.Mark == markNext:
			c = e.Raw
		case e.Mark == markEnd || !t.geo.valid(c+1):
			c = 0
		default:
			c++
		}
	}
	n.take(t, f)
	n.broken = "its own entry is unread, so that its length is not known"
}

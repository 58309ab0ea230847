package fat

import (
	"context"
	"errors"
	"slices"

	"fileassay/extract"
	"fileassay/extract/ranges"
)

// records are the folders of a volume, and which clusters are claimed by what
// stands in them.
type records struct {
	*layout
	owners
	count count // what the table holds
	nodes []*node
	later []later // what is in doubt and claims when the rest has
	loose bool    // something is in use that nothing which hangs from the root claims
	preds set     // unclaimed clusters that another unclaimed one leads to
}

// later is an entry that cannot be vouched for, whose turn comes after that of
// those that can.
type later struct {
	n *node // the folder that the entry is of; nil where it is a file's
	e *entry
}

// node is a folder.
type node struct {
	root   bool
	parent *node // nil for none
	name   string
	id     uint64
	first  uint32
	parts  []extract.Extent
	kids   []*node // in the order in which its folders' entries come
	tally  tally
	listed int64 // entries that come before its end mark
	past   int64 // slots up to the last that holds something, where an end mark comes before; 0 where none does
	rank   rank
	broken string // why the folder's clusters are not all known, in words
	cut    uint32 // the cluster whose unread table entry says how it goes on; 0 for none
	doubt  bool   // what is in it cannot be vouched for
	half   bool   // a name on the way to it is not the full one
	orphan bool   // its own entry was not read
	// unknown says that it is not known whether the folder is in use: what it
	// says of clusters that others have is out of date
	unknown bool
}

// complete reports whether every slot of the folder was read.
func (n *node) complete() bool {
	return n.tally.Unread == 0 && (n.broken == "" || n.tally.Ended)
}

// take makes the followed chain the folder's content.
func (t *records) take(n *node, f followed) {
	n.parts = extents(f.runs)
	if f.stop != stopWhole {
		n.broken = f.why(f.n * t.cluster)
		if f.stop == stopUnread {
			n.cut = f.at
		}
	}
	switch f.stop {
	case stopFree, stopBad, stopLoop, stopRange: // the table says that it is no chain
		n.doubt = true
	}
	n.doubt = n.doubt || t.count.contradicted(&f) != ""
}

// decode decodes a folder.
func (t *records) decode(n *node, yield func(*entry)) tally {
	f := folder{Root: n.root, First: n.first, Partial: n.orphan && n.first == 0}
	if n.parent != nil {
		f.Parent, f.HasParent = n.parent.dotdot(), true
	}
	if n.past == 0 {
		return t.entries(f, n.parts, yield)
	}
	var empty int64
	seen := int64(0)
	out := t.entriesIn(f, func(visit func(slot) bool) {
		gap := false
		eachSlot(t.r, n.parts, func(s slot) bool {
			if s.Bytes != nil && s.Bytes[0] == 0 && s.N < n.past {
				empty++
				s.Bytes = nil
			}
			s.AfterGap = s.AfterGap || gap
			gap = s.Bytes == nil
			return visit(s)
		})
	}, func(e *entry) {
		if seen++; seen > n.listed {
			e.Doubtful = true
			e.Why = append(e.Why, "it stands past what ends its folder")
		}
		yield(e)
	})
	out.Unread -= empty
	out.Faulty += empty
	return out
}

// reopen reads on past the end marks of folders: slots that hold something behind
// one say that it may be of a sector which came back as zeros, or as another. That is
// so where they stand in a further sector, since a driver writes zeros behind the
// end mark of a folder that it makes longer (Overview, "FAT Directory Structure"), or where something is in use that nothing
// claims, or that two claim. What is between counts as slots that make no sense.
func (t *records) reopen(ctx context.Context) error {
	stray := errors.New("something is in use")
	err := t.eachUnclaimed(ctx, func(_ uint32, use extract.Use) error {
		if use == extract.UseUnclaimed {
			return stray
		}
		return nil
	})
	if err == nil && t.crossed() {
		err = stray
	}
	if err != nil && err != stray {
		return err
	}
	for _, n := range t.nodes {
		if err := ctx.Err(); err != nil {
			return err
		}
		if !n.tally.Ended {
			continue
		}
		end, last := int64(-1), int64(-1)
		eachSlot(t.r, n.parts, func(s slot) bool {
			switch {
			case s.Bytes == nil:
			case s.Bytes[0] == 0 && end < 0:
				end = s.N
			case s.Bytes[0] != 0 && end >= 0:
				last = s.N
			}
			return true
		})
		const each = 512 / slotSize
		if last < 0 || err == nil && last/each == end/each {
			continue
		}
		n.past = last + 1
		seen := int64(0)
		n.tally = t.decode(n, func(e *entry) {
			if seen++; seen <= n.listed {
				return
			}
			k := (*node)(nil)
			if e.Folder {
				k = t.folderOf(n, e)
				n.kids = append(n.kids, k)
			}
			t.later = append(t.later, later{k, e})
		})
	}
	return t.doubted(ctx)
}

// readRecords follows all that hangs from the root, so that what is claimed
// twice is known before anything is said of a file.
func readRecords(ctx context.Context, l *layout) (*records, error) {
	t := &records{layout: l, owners: owners{chains: l.chains, longer: map[tail]rest{}, words: int64(l.clusters) + 1<<24}}
	var err error
	if t.count, err = t.table.count(ctx); err != nil {
		return nil, err
	}
	if t.bits != nil {
		for _, p := range t.own {
			first, _ := t.of(p.Image)
			t.by[byRoot].addRun(first, t.need(p.Length), &t.by[byRoot].shared)
		}
	}
	root := &node{root: true, first: t.root, parts: t.rootParts}
	root.id = t.number(root.parts[0].Image)
	if t.root != 0 {
		t.take(root, t.claim(t.root, -1, t.folderLimit()))
	}
	if err := t.descend(ctx, root); err != nil {
		return nil, err
	}
	if err := t.doubted(ctx); err != nil {
		return nil, err
	}
	if err := t.format.findLost(ctx, t.layout, &t.owners); err != nil {
		return nil, err
	}
	if err := t.reopen(ctx); err != nil {
		return nil, err
	}
	return t, t.discover(ctx)
}

// doubted claims what is in doubt, and then what chains have past the ends of
// their files.
func (t *records) doubted(ctx context.Context) error {
	for len(t.later) > 0 { // which may find more of it
		list := t.later
		t.later = nil
		for _, x := range list {
			if t.turn = t.turn.doubted(); x.n == nil {
				t.claimFile(x.e)
				continue
			}
			t.claimFolder(x.n, x.e)
			if len(x.n.parts) > 0 {
				if err := t.descend(ctx, x.n); err != nil {
					return err
				}
				continue
			}
			t.nodes = append(t.nodes, x.n)
		}
	}
	t.claimTails()
	return nil
}

// descend reads the folder top and all that is in it. Folders stand in nodes in
// the order in which they will be listed.
func (t *records) descend(ctx context.Context, top *node) error {
	t.nodes = append(t.nodes, top)
	stack := []*node{top}
	for len(stack) > 0 {
		if err := ctx.Err(); err != nil {
			return err
		}
		n := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		n.tally = t.decode(n, func(e *entry) {
			n.listed++
			var k *node
			turn := n.rankOf(e)
			if e.Folder {
				k = t.folderOf(n, e)
				n.kids = append(n.kids, k)
				turn = k.rank
			}
			switch {
			case turn != t.turn:
				t.later = append(t.later, later{k, e})
			case k != nil:
				t.claimFolder(k, e)
				t.nodes = append(t.nodes, k)
			default:
				t.claimFile(e)
			}
		})
		for _, k := range slices.Backward(n.kids) {
			if len(k.parts) > 0 {
				stack = append(stack, k)
			}
		}
	}
	return nil
}

// rankOf is whose turn it is with an entry of the folder.
func (n *node) rankOf(e *entry) rank {
	if n.doubt || e.Doubtful {
		return n.rank.doubted()
	}
	return n.rank
}

// dotdot is how the folders in a folder of FAT name it: 0 is the root.
func (n *node) dotdot() uint32 {
	if n.root {
		return 0
	}
	return n.first
}

// folderOf makes a node for a folder's entry. What is in a folder in doubt is in
// doubt too, but for a folder in one that was found by itself: where each of the two
// names the other, they are what they look like.
func (t *records) folderOf(p *node, e *entry) *node {
	n := &node{parent: p, name: e.Name, id: t.number(e.At), first: e.First, rank: p.rank, doubt: e.Doubtful || p.doubt, unknown: p.unknown, half: p.half || e.HalfNamed}
	if n.doubt && p.orphan && !p.unknown && !e.Doubtful && t.valid(e.First) {
		s, ok := t.look(e.First, t.at(e.First))
		n.doubt = !ok || !s.Head || !s.HasParent || p.first == 0 || s.Parent != p.first
	}
	if n.doubt {
		n.rank = n.rank.doubted()
	}
	if e.Name == "" {
		n.parent = nil
	}
	return n
}

// claimFolder claims the clusters of a folder.
func (t *records) claimFolder(n *node, e *entry) {
	// an exFAT folder is as long as its clusters (exFAT, 7.6.6, DataLength)
	n.doubt = n.doubt || e.Size > 0 && e.Size%t.cluster != 0
	switch need := t.need(e.Size); {
	case e.Size == 0: // exFAT: a folder without clusters
		n.tally.Ended = true
	case e.First == 0:
		n.broken = "its entry names no cluster, or that entry is unread"
	case e.Contiguous:
		k, ok := t.span(e.First, min(need, t.folderLimit()))
		if !ok {
			n.broken = (&followed{stop: stopRange, raw: e.First}).why(0)
			break
		}
		c, taken := t.firstIn(e.First, k, &t.mine().set)
		t.claimRun(e.First, k)
		if taken {
			n.broken = (&followed{stop: stopShared, at: c}).why(0)
			break
		}
		n.parts = extents([]ranges.Range{t.run(e.First, k)})
		if k < need {
			n.broken = "it is stated to be longer than its volume holds or a folder can be"
		}
	case e.Size >= 0:
		t.take(n, t.claim(e.First, min(need, t.folderLimit()), t.folderLimit()))
	default:
		t.take(n, t.claim(e.First, -1, t.folderLimit()))
	}
}

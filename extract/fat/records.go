package fat

import (
	"context"
	"slices"

	"fileassay/extract"
	"fileassay/extract/ranges"
)

// records are the folders of a volume, and which clusters are claimed by what
// stands in them.
type records struct {
	*layout
	owners
	count   count // what the table holds
	nodes   []*node
	orphans int  // index of the first node that hangs from nothing
	loose   bool // something is in use that nothing which hangs from the root claims
	preds   set  // unclaimed clusters that another unclaimed one leads to
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
	n.doubt = n.doubt || f.guess || f.second && t.count.Disagree > 0
}

// decode decodes a folder.
func (t *records) decode(n *node, yield func(*entry)) tally {
	return t.entries(folder{Root: n.root, First: n.first, Partial: n.orphan && n.first == 0}, n.parts, yield)
}

// readRecords follows all that hangs from the root, so that what is claimed
// twice is known before anything is said of a file.
func readRecords(ctx context.Context, l *layout) (*records, error) {
	t := &records{layout: l, owners: owners{chains: l.chains, longer: map[tail]int64{}, words: int64(l.clusters) + 1<<24}}
	var err error
	if t.count, err = t.table.count(ctx); err != nil {
		return nil, err
	}
	if t.bits != nil {
		for _, p := range t.own {
			first, _ := t.of(p.Image)
			t.claimed.addRun(first, t.need(p.Length), &t.shared)
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
	t.claimTails()
	if err := t.format.findLost(ctx, t.layout, &t.owners); err != nil {
		return nil, err
	}
	return t, t.discover(ctx)
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
			if e.Folder {
				n.kids = append(n.kids, t.addFolder(n, e))
			} else {
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

// addFolder makes a node for a folder's entry and claims its clusters.
func (t *records) addFolder(p *node, e *entry) *node {
	n := &node{parent: p, name: e.Name, id: t.number(e.At), first: e.First, doubt: e.Doubtful || p.doubt, unknown: p.unknown, half: p.half || e.HalfNamed}
	if e.Name == "" {
		n.parent = nil
	}
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
		c, taken := t.mine().firstIn(e.First, k)
		if t.late && !taken {
			c, taken = t.claimed.firstIn(e.First, k)
		}
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
	t.nodes = append(t.nodes, n)
	return n
}

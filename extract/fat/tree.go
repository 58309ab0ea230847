package fat

import (
	"context"

	"fileassay/extract"
	"fileassay/extract/claims"
	"fileassay/extract/image"
)

// Config is what a [Tree] is made of.
type config struct {
	Reader   *image.Reader
	Geometry geometry
	Table    *table
	Format   format
	// Unproved says that nothing that was read proves the place of the table.
	Unproved bool
	// Allocation tells what is in use; nil where nothing does. Where it is
	// the table, leave Bitmap unset.
	Allocation allocation
	// Bitmap says that Allocation does not come from the table, so that a
	// cluster in use may have no entry.
	Bitmap bool
	// Vacant reports whether any of n clusters from first is free by the
	// bitmap; nil where the table says it all.
	Vacant func(first uint32, n int64) bool

	Root      uint32         // first cluster of the root; 0 for a fixed one
	FixedRoot extract.Extent // the root of FAT12 and FAT16
	// FolderBytes is the most that a folder may have.
	FolderBytes int64
	// Own are runs of clusters that the volume's own structures take.
	Own []run
}

// Tree is the files and folders of a volume.
type tree struct {
	config
	r      *image.Reader
	geo    geometry
	table  *table
	format format

	nodes   []*node
	orphans int // index of the first node that hangs from nothing

	claimed set  // by what hangs from the root
	found   set  // by what hangs from nothing
	late    bool // it is the turn of what hangs from nothing
	shared  set  // claimed twice
	loops   set  // clusters whose entry closes a loop
	excess  set  // the rest of chains that are longer than their file
	tails   []tail
	longer  map[tail]int64 // clusters past the end of a file
	preds   set            // unclaimed clusters that another unclaimed one leads to
	choices map[uint32]choice

	steps   int64 // left to be spent on deciding between copies of the table
	words   int64 // left to be spent on runs without a table
	overrun bool

	count  count
	claims claims.Owned
	sum    summary
}

// node is a folder.
type node struct {
	root   bool
	parent int32 // -1 for none
	name   string
	id     uint64
	first  uint32
	parts  []extract.Extent
	kids   []int32 // in the order in which its folders' entries come
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

// NewTree makes a tree; nothing is read before Walk.
func newTree(c config) *tree {
	t := &tree{config: c, r: c.Reader, geo: c.Geometry, table: c.Table, format: c.Format,
		longer: map[tail]int64{}, choices: map[uint32]choice{}}
	t.steps = 8*int64(c.Geometry.clusters) + 1<<20
	t.words = int64(c.Geometry.clusters) + 1<<24
	return t
}

// Claims are the parts of the volume that are claimed; valid after Walk. The
// volume adds its own structures.
func (t *tree) Claims() *claims.Owned { return &t.claims }

// Count is what the table holds; valid after Walk.
func (t *tree) Count() count { return t.count }

// Claimed reports how many clusters the first walk claimed, and calls visit
// for runs of them; valid after Survey.
func (t *tree) Claimed() *set { return &t.claimed }

// Survey is the first walk: it follows all that hangs from the root, so that
// what is claimed twice is known before anything is said of a file.
func (t *tree) Survey(ctx context.Context) error {
	var err error
	if t.count, err = t.table.count(ctx); err != nil {
		return err
	}
	for _, r := range t.Own {
		t.claimed.addRun(r.First, int64(r.Count), &t.shared)
	}
	root := &node{root: true, parent: -1, first: t.Root}
	if t.Root != 0 {
		f := t.claim(t.Root, -1, t.folderLimit())
		root.take(t, f)
		root.id = t.geo.number(t.geo.at(t.Root))
	} else {
		root.parts = []extract.Extent{t.FixedRoot}
		root.id = t.geo.number(t.FixedRoot.Image)
	}
	t.nodes = append(t.nodes, root)
	if err := t.descend(ctx, 0); err != nil {
		return err
	}
	for _, c := range t.tails {
		t.followExcess(c)
	}
	t.tails = nil
	return nil
}

func (t *tree) folderLimit() int64 { return max(t.geo.need(t.FolderBytes), 1) }

// take makes the followed chain the folder's content.
func (n *node) take(t *tree, f followed) {
	for i, r := range f.runs {
		off := int64(0)
		if i > 0 {
			off = n.parts[i-1].Offset + n.parts[i-1].Length
		}
		n.parts = append(n.parts, extract.Extent{Offset: off, Image: t.geo.at(r.First), Length: int64(r.Count) * t.geo.cluster})
	}
	if f.stop != stopWhole {
		n.broken = f.why(f.n * t.geo.cluster)
		if f.stop == stopUnread {
			n.cut = f.at
		}
	}
	n.doubt = n.doubt || f.guess || f.second && t.count.Disagree > 0
}

// descend surveys the folder i and all that is in it. Folders are numbered in
// the order in which they will be listed.
func (t *tree) descend(ctx context.Context, i int32) error {
	stack := []int32{i}
	for len(stack) > 0 {
		if err := ctx.Err(); err != nil {
			return err
		}
		i := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		n := t.nodes[i]
		n.tally = t.entries(n, func(e *entry) {
			if !e.Folder {
				t.claimFile(e)
				return
			}
			n.kids = append(n.kids, t.addFolder(i, e))
		})
		for k := len(n.kids) - 1; k >= 0; k-- {
			if len(t.nodes[n.kids[k]].parts) > 0 {
				stack = append(stack, n.kids[k])
			}
		}
	}
	return nil
}

// entries decodes a folder.
func (t *tree) entries(n *node, yield func(*entry)) tally {
	f := folder{Root: n.root, First: n.first, Partial: n.orphan && n.first == 0}
	return t.format.entries(f, func(visit func(slot) bool) { eachSlot(t.r, n.parts, visit) }, func(e *entry) {
		if e.Guessed && !e.Folder && t.geo.valid(e.First) {
			b := make([]byte, min(t.format.folderHead(), t.geo.cluster))
			if _, err := t.r.ReadAt(b, t.geo.at(e.First)); err == nil && t.format.folderStart(e.First, b).Folder {
				e.Folder, e.Valid = true, e.Size
			}
		}
		yield(e)
	})
}

// addFolder makes a node for a folder's entry and claims its clusters.
func (t *tree) addFolder(parent int32, e *entry) int32 {
	p := t.nodes[parent]
	n := &node{parent: parent, name: e.Name, id: t.geo.number(e.At), first: e.First, doubt: e.Doubtful || p.doubt, unknown: p.unknown, half: p.half || e.HalfNamed}
	if e.Name == "" {
		n.parent = -1
	}
	switch need := t.geo.need(e.Size); {
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
		set := &t.claimed
		if t.late {
			set = &t.found
		}
		if _, taken := set.firstIn(e.First, k); taken || t.late && t.overlapsNamed(e.First, k) {
			c, _ := set.firstIn(e.First, k)
			t.claimRun(e.First, k)
			n.broken = (&followed{stop: stopShared, at: c}).why(0)
			break
		}
		t.claimRun(e.First, k)
		n.take(t, followed{runs: []run{{e.First, uint32(k)}}, n: k})
		if k < need {
			n.broken = "it is stated to be longer than its volume holds or a folder can be"
		}
	case e.Size >= 0:
		n.take(t, t.claim(e.First, min(need, t.folderLimit()), t.folderLimit()))
	default:
		n.take(t, t.claim(e.First, -1, t.folderLimit()))
	}
	t.nodes = append(t.nodes, n)
	return int32(len(t.nodes) - 1)
}

func (t *tree) overlapsNamed(first uint32, n int64) bool {
	_, ok := t.claimed.firstIn(first, n)
	return ok
}

// claimFile claims the clusters of a file.
func (t *tree) claimFile(e *entry) {
	need := t.geo.need(e.Size)
	if need == 0 {
		if e.First != 0 && e.Size == 0 && t.geo.valid(e.First) && !e.Contiguous {
			// an empty file with clusters: they are all past its end
			t.tails = append(t.tails, tail{e.First, true})
		}
		return
	}
	if e.First == 0 {
		return
	}
	if e.Contiguous {
		if n, ok := t.span(e.First, need); ok {
			t.claimRun(e.First, n)
		}
		return
	}
	f := t.claim(e.First, need, need)
	if f.stop == stopWhole && f.tail.Mark == markNext {
		t.tails = append(t.tails, tail{f.at, false})
	}
}

// tail is where a chain goes on past the end of its file.
type tail struct {
	c     uint32 // the last cluster of the content, or the first of an empty file
	empty bool
}

// followExcess claims what a chain has past its file's end.
func (t *tree) followExcess(last tail) {
	c := last.c
	if !last.empty {
		v := t.table.entry(c).value
		if ch, ok := t.choices[c]; ok {
			v = ch.value
		}
		if v.Mark != markNext {
			return
		}
		c = v.Raw
	}
	var n int64
	for t.geo.valid(c) && !t.claimed.has(c) && t.excess.add(c) {
		n++
		e := t.table.entry(c)
		if e.Mark != markNext || e.Disagree {
			break
		}
		c = e.Raw
	}
	t.longer[last] = n
}

// paths are the folders' paths; valid after Discover.
func (t *tree) paths() *extract.Paths[int32] {
	nodes := func(yield func(int32) bool) {
		for i := range t.nodes {
			if !yield(int32(i)) {
				return
			}
		}
	}
	id := func(i int32) uint64 { return t.nodes[i].id }
	return extract.NewPaths(nodes, 0, id, func(i int32) (string, int32, bool) {
		n := t.nodes[i]
		return n.name, n.parent, n.parent >= 0
	})
}

// Claim takes a run for the volume's own structures, between Survey and
// Discover.
func (t *tree) Claim(r run) { t.claimed.addRun(r.First, int64(r.Count), &t.shared) }

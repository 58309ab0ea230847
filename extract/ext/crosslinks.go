package ext

import (
	"cmp"
	"slices"

	"fileassay/extract/ranges"
)

// No two inodes of a sound volume share a block of content or of what says
// where it lies: these filesystems have no copies that share blocks, and a
// file of several names is one inode. So where two claim the same block, at
// least one of them holds what is not its own, and nothing tells which.

// blockClaims collects which blocks inodes claim, and tells those that are
// claimed more than once.
type blockClaims struct {
	once  []ranges.Range // of blocks of the volume
	twice ranges.Set
	limit int // settle when once grows to this
	// attributes are blocks of extended attributes, which any number of inodes
	// may share, but nothing else.
	attributes ranges.Set
	// idle are inodes that look alive but that the bitmap calls free: remnants,
	// which claim nothing unless a folder names them.
	idle []uint32
}

// leastSettled is how long a list of claims grows before it is first settled.
const leastSettled = 1 << 16

func (c *blockClaims) add(block, n uint64) {
	from, to := int64(block), int64(block+n)
	if k := len(c.once); k > 0 && c.once[k-1].End == from {
		c.once[k-1].End = to
		return
	}
	c.once = append(c.once, ranges.Range{Start: from, End: to})
	if len(c.once) >= max(c.limit, leastSettled) {
		c.settle()
		c.limit = 2 * len(c.once)
	}
}

// addMapping adds what an inode claims.
func (c *blockClaims) addMapping(m *mapping) {
	for _, r := range m.Runs {
		if r.Kind != runUnlocated {
			c.add(r.Physical, r.Length)
		}
	}
	for _, b := range m.Tree {
		c.add(b, 1)
	}
}

// addAll adds the claims of o.
func (c *blockClaims) addAll(o *blockClaims) {
	for _, s := range o.once {
		c.add(uint64(s.Start), uint64(s.End-s.Start))
	}
	c.twice.AddAll(&o.twice)
	c.attributes.AddAll(&o.attributes)
	c.idle = append(c.idle, o.idle...)
}

// settle sorts and joins the claims and notes where they overlap.
func (c *blockClaims) settle() {
	slices.SortFunc(c.once, func(a, b ranges.Range) int { return cmp.Compare(a.Start, b.Start) })
	out := c.once[:0]
	for _, s := range c.once {
		n := len(out)
		if n == 0 || s.Start > out[n-1].End {
			out = append(out, s)
			continue
		}
		last := &out[n-1]
		if end := min(s.End, last.End); s.Start < end {
			c.twice.Add(s.Start, end-s.Start)
		}
		last.End = max(last.End, s.End)
	}
	c.once = out
}

// shared are the blocks that are claimed more than once.
func (c *blockClaims) shared() ranges.Set {
	c.settle()
	i := 0
	for a := range c.attributes.All() {
		for i < len(c.once) && c.once[i].End <= a.Start {
			i++
		}
		for k := i; k < len(c.once) && c.once[k].Start < a.End; k++ {
			from := max(a.Start, c.once[k].Start)
			c.twice.Add(from, min(a.End, c.once[k].End)-from)
		}
	}
	c.twice.Len() // settled here, since several goroutines ask it
	return c.twice
}

// addInode adds what the inode of a record claims; m is where its content lies
// if that is known already.
func (p *mapper) addInode(c *blockClaims, rec *record, m *mapping) {
	v := p.v
	n := rec.inode
	if n.Number == v.sb.JournalInode {
		return // added by the place that the journal was found in
	}
	if n.Number == badBlocksInode || n.Number == resizeInode {
		n.Mode = n.Mode&^modeType | modeFile // the kernel gives them none, or a file's
	}
	if n.FileACL != 0 && v.dataRange(n.FileACL, 1) {
		c.attributes.Add(int64(n.FileACL), 1)
	}
	switch {
	case n.strange(&v.sb) != "", n.Flags&inodeInlineData != 0, n.isLink() && v.fastLink(&n), !n.isFile() && !n.isFolder() && !n.isLink():
		return
	case m == nil:
		got := p.mapInode(&n)
		m = &got
	}
	c.addMapping(m)
}

// findShared notes the blocks that more than one of the inodes in use claims.
func (t *tree) findShared(c *blockClaims) {
	v := t.v
	for _, r := range v.journal.runs {
		if r.Kind != runUnlocated {
			c.add(r.Physical, r.Length)
		}
	}
	// what was left out before and yet is named
	p := v.newMapper()
	add := func(n uint32) {
		if rec := v.readInode(n); rec.state == recordLive {
			p.addInode(c, &rec, nil)
		}
	}
	for _, n := range c.idle {
		if k := t.names.from(n); k < len(t.names.list) && t.names.list[k].child == n {
			add(n)
		}
	}
	last := uint32(0)
	for _, n := range t.names.list {
		if n.child != last && v.pastUsed(n.child) {
			add(n.child)
		}
		last = n.child
	}
	v.shared = c.shared()
}

// pastUsed reports whether an inode stands behind the last one ever used of
// its group.
func (v *Volume) pastUsed(number uint32) bool {
	if number == 0 || number > v.sb.Inodes {
		return false
	}
	g, i := (number-1)/v.sb.InodesPerGroup, (number-1)%v.sb.InodesPerGroup
	return i >= v.groups.list[g].usedInodes(&v.sb)
}

// crossed is the first block of a mapping that is claimed more than once.
func (v *Volume) crossed(m *mapping) (block int64, ok bool) {
	if v.shared.Len() == 0 {
		return 0, false
	}
	for _, r := range m.Runs {
		if r.Kind == runUnlocated {
			continue
		}
		for s := range v.shared.Within(int64(r.Physical), int64(r.Length)) {
			return s.Start, true
		}
	}
	for _, b := range m.Tree {
		if v.shared.Covered(int64(b), 1) > 0 {
			return int64(b), true
		}
	}
	return 0, false
}

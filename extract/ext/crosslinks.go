package ext

import (
	"slices"

	"fileassay/extract/claims"
	"fileassay/extract/ranges"
)

// No two inodes of a sound volume share a block of content or of what says
// where it lies: these filesystems have no copies that share blocks, and a
// file of several names is one inode. So where two claim the same block, at
// least one of them holds what is not its own, and nothing tells which.

// claimed is what inodes claim, in bytes of the image.
type claimed struct {
	claims.Register
	// attributes are blocks of extended attributes, which any number of inodes
	// may share, but nothing else.
	attributes ranges.Set
	// idle are inodes that look alive but that the bitmap calls free: remnants,
	// which claim nothing unless a folder names them. Sorted.
	idle []uint32
}

// addAll adds the claims of o.
func (c *claimed) addAll(o *claimed) {
	c.AddAll(&o.Register)
	c.attributes.AddAll(&o.attributes)
	c.idle = append(c.idle, o.idle...)
}

// shared is what is claimed more than once. Several goroutines may ask it.
func (c *claimed) shared() ranges.Set {
	out, all := c.Twice(), c.All()
	for a := range c.attributes.All() {
		for r := range all.Within(a.Start, a.Len()) {
			out.Add(r.Start, r.Len())
		}
	}
	out.Len() // settled here
	return out
}

// addInode adds what the inode of a record claims; m is where its content lies
// if that is known already.
func (p *mapper) addInode(c *claimed, rec *record, m *mapping) {
	n := rec.inode
	if n.Number == p.sb.JournalInode {
		return // added by the place that the journal was found in
	}
	n.asFile()
	if n.FileACL != 0 && p.dataRange(n.FileACL, 1) {
		c.attributes.Add(p.span(n.FileACL, 1).Start, p.bs)
	}
	switch {
	case n.strange(&p.sb) != "", n.Flags&inodeInlineData != 0, n.isLink() && p.fastLink(&n), !n.isFile() && !n.isFolder() && !n.isLink():
		return
	case m == nil:
		got := p.mapInode(&n)
		m = &got
	}
	for s := range p.spans(m) {
		c.Add(s.Start, s.Len())
	}
}

// findShared is what more than one of the inodes in use, or the journal, claims.
func (t *tree) findShared(c *claimed, journal []ranges.Range) ranges.Set {
	for _, s := range journal {
		c.Add(s.Start, s.Len())
	}
	p, last := newMapper(t.layout), uint32(0)
	for _, n := range t.names.list {
		if n.child == last {
			continue
		}
		last = n.child
		// what was left out before and yet is named
		if _, idle := slices.BinarySearch(c.idle, last); idle || t.pastUsed(last) {
			if rec := t.readInode(last); rec.state == recordLive {
				p.addInode(c, &rec, nil)
			}
		}
	}
	return c.shared()
}

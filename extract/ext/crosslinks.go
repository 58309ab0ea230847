package ext

import (
	"context"
	"encoding/binary"
	"slices"

	"fileassay/extract/bitmap"
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
	for s := range p.clusterSpans(m) {
		c.Add(s.Start, s.Len())
	}
}

// disputed is what speaks against what inodes claim. Several goroutines may ask it.
type disputed struct {
	shared ranges.Set // bytes of the image that more than one inode claims
	freed  ranges.Set // bytes of the image that an inode claims and a block bitmap calls free
	// unproved is the number of groups of which no block bitmap is known that
	// would be believed against a claim.
	unproved int
	// orphans are inodes that were being deleted or cut.
	orphans map[uint32]bool
}

// findDisputed finds it, once all names are known.
func (t *tree) findDisputed(ctx context.Context, c *claimed, journal []ranges.Range) (d disputed, err error) {
	d.shared = t.findShared(c, journal)
	d.orphans = t.findOrphans()
	all := c.All()
	for g := range t.sb.groups() {
		m := t.blockBitmap(g)
		if !m.proves {
			d.unproved++
			continue
		}
		cluster := t.sb.clusterBlocks()
		err := m.Runs(ctx, 0, int64((t.sb.groupBlocks(g)+cluster-1)/cluster), func(i, n int64, s bitmap.State) error {
			if s == bitmap.Clear {
				free := t.span(t.sb.groupFirst(g)+uint64(i)*cluster, uint64(n)*cluster)
				for r := range all.Within(free.Start, free.Len()) {
					d.freed.Add(r.Start, r.Len())
				}
			}
			return nil
		})
		if err != nil {
			return d, err
		}
	}
	d.freed.Len() // settled here
	return d, nil
}

// findOrphans are the inodes that the volume was about to delete or to cut. ext4:
// super, "s_last_orphan"; orphan.
func (v *records) findOrphans() map[uint32]bool {
	out := map[uint32]bool{}
	for n := v.sb.LastOrphan; n != 0 && !out[n]; {
		if _, _, ok := v.groupOf(n); !ok {
			break
		}
		out[n] = true
		n = v.readInode(n).Deleted // 0 where it was not read
	}
	if v.sb.Compat&compatOrphanFile == 0 || v.sb.RoCompat&roOrphanOpen == 0 {
		return out
	}
	rec := v.readInode(v.sb.OrphanFile)
	if rec.state != recordLive {
		return out
	}
	buf := make([]byte, v.bs)
	for _, r := range newMapper(v.layout).mapInode(&rec.inode).Runs {
		if r.Kind != runData {
			continue
		}
		for b := range r.Length {
			list := v.read(buf, r.Physical+b)
			for at := 0; at < list.Len()-8; at += 4 { // the tail is a mark and a checksum
				if n, ok := list.Uint32(binary.LittleEndian, at); ok && n != 0 {
					out[n] = true
				}
			}
		}
	}
	return out
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

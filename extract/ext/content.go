package ext

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"

	"fileassay/extract"
	"fileassay/extract/ranges"
)

// content is where an inode's content lies, with what it claims of the volume.
type content struct {
	pieces []extract.Piece
	files  []ranges.Range // of the image, that content lies in or is set aside for
	own    []ranges.Range // that tree blocks and attributes lie in
	// doubt is set where the inode contradicts itself, so that the file cannot
	// be called intact whatever was read of it.
	doubt bool
	// crossed is set where blocks of it are claimed more than once, freed where
	// the block bitmap calls some of them free.
	crossed, freed bool
	// cut is set where not all of what says where it lies was read.
	cut    bool
	why    []string
	target string // of a link
	// needs are unread blocks of the tree or map that says where the content lies
	needs []ranges.Range
}

// contents finds where the content of inodes lies. It is for one goroutine.
type contents struct {
	*mapper
	claimed *disputed
}

// of finds the content of a file, or the claims of any other inode.
func (p contents) of(n *inode) content {
	var c content
	if n.FileACL != 0 {
		if p.dataRange(n.FileACL, 1) {
			c.own = append(c.own, p.span(n.FileACL, 1))
		} else {
			c.why = append(c.why, fmt.Sprintf("its extended attributes are said to stand in block %d, where they cannot be", n.FileACL))
		}
	}
	switch {
	case n.isLink() && p.fastLink(n):
		c.target = string(n.Block[:min(n.Size, iBlockSize)])
		p.checkTarget(n, n.Block[:], &c)
		return c
	case !n.isFile() && !n.isFolder() && !n.isLink():
		return c // a device, pipe or socket has no content
	case n.Flags&inodeInlineData != 0:
		p.inlineContent(n, &c)
		p.checkBlockCount(n, &mapping{}, &c)
		return c
	}
	m := p.mapInode(n)
	c.why, c.doubt, c.cut = append(c.why, m.Why...), m.Odd, m.Cut
	if m.Cut {
		c.needs = p.needsOfBlocks(nil, m.Tree...)
	}
	p.checkBlockCount(n, &m, &c)
	p.checkSize(n, &m, &c)
	p.claims(&m, &c)
	switch {
	case n.isFile():
		c.pieces = p.pieces(n.Size, m.Runs, &c)
	case n.isLink():
		p.slowLink(n, &m, &c)
	}
	return c
}

// claims notes which parts of the volume a mapping claims, those of content in
// whole clusters, and the first block of it that is claimed more than once.
func (p contents) claims(m *mapping, c *content) {
	cluster := p.sb.clusterBlocks()
	for _, r := range m.Runs {
		if r.Kind != runUnlocated {
			a := r.Physical / cluster * cluster
			z := min((r.Physical+r.Length+cluster-1)/cluster*cluster, p.sb.Blocks)
			c.files = append(c.files, p.span(a, z-a))
		}
	}
	for _, b := range m.Tree {
		c.own = append(c.own, p.span(b, 1))
	}
	for s := range p.spans(m) {
		// of a cluster that is claimed twice, the file's blocks may be others'
		if x, ok := p.claimed.shared.First(s.Start, s.Len()); ok && !c.crossed {
			c.crossed = true
			c.why = append(c.why, fmt.Sprintf("it claims block %d, which is claimed more than once", (x.Start-p.start)/p.bs))
		}
		if x, ok := p.claimed.freed.First(s.Start, s.Len()); ok && !c.freed {
			c.freed = true
			c.why = append(c.why, fmt.Sprintf("it claims block %d, which the block bitmap calls free", (x.Start-p.start)/p.bs))
		}
	}
}

// checkBlockCount holds what was found of an inode's blocks against its own
// count: zeros in place of a block map, or entries that are left out, look like
// holes. ext4: inodes, "i_blocks".
func (p contents) checkBlockCount(n *inode, m *mapping, c *content) {
	unknown := p.sbAt < 0 // whether blocks are counted by clusters, which the superblock would say
	if unknown || m.Cut {
		return
	}
	per := p.sb.clusterBlocks() * uint64(p.bs/512) // sectors of a cluster
	have := p.clusters(m) * per
	if n.FileACL != 0 {
		have += per
	}
	if have == n.Sectors {
		return
	}
	if p.sb.Incompat&incompatEAInode != 0 { // seldom, so it is looked for only where it matters
		more, known := p.valuesElsewhere(n)
		if have += more; have == n.Sectors || !known && p.sb.metadataCsum() && n.Flags&inodeExtents != 0 {
			return
		}
	}
	c.doubt = true
	blocks := uint64(p.bs / 512)
	c.why = append(c.why, fmt.Sprintf("its inode counts %d blocks, what says where they lie has %d", n.Sectors/blocks, have/blocks))
}

// clusters is the number of allocation units that a mapping holds. Runs that
// share a unit follow each other; a block of the tree has a unit of its own.
func (v *layout) clusters(m *mapping) uint64 {
	count, size := uint64(len(m.Tree)), v.sb.clusterBlocks()
	last := ^uint64(0)
	for i := range m.Runs {
		r := &m.Runs[i]
		if r.Kind == runUnlocated {
			continue
		}
		first, end := r.Physical/size, (r.Physical+r.Length-1)/size
		count += end - first + 1
		if first == last {
			count--
		}
		last = end
	}
	return count
}

// valuesElsewhere is what the values of attributes that stand in inodes of
// their own add to an inode's count, in sectors; known is false where not all
// of its attributes were read. ext4: attributes, "e_value_inum".
func (p contents) valuesElsewhere(n *inode) (sectors uint64, known bool) {
	unit := p.sb.clusterBlocks() * uint64(p.bs)
	add := func(b []byte, e int) {
		if le := binary.LittleEndian; le.Uint32(b[e+4:]) != 0 {
			sectors += (uint64(le.Uint32(b[e+8:])) + unit - 1) / unit * unit / 512
		}
	}
	for e := range n.attributes() {
		add(n.raw, e)
	}
	if n.FileACL == 0 {
		return sectors, true
	}
	b := p.read(p.buf(0), n.FileACL)
	if !b.Whole() || binary.LittleEndian.Uint32(b.Data) != xattrMagic {
		return sectors, false
	}
	for e := range attributes(b.Data, xattrBlockHead) {
		add(b.Data, e)
	}
	return sectors, true
}

// checkSize holds an inode's size against what it has blocks for. Blocks that
// are only set aside may lie past a file's size, and its last ones may be left
// out; content cannot lie there, but for the hashes of a file under fs-verity
// and for a file that was being cut when the volume was last in use.
func (p contents) checkSize(n *inode, m *mapping, c *content) {
	if !n.isFile() || n.Flags&inodeVerity != 0 || p.claimed.orphans[n.Number] {
		return
	}
	if at := m.written(); at > p.fileBlocks(n.Size) {
		c.doubt = true
		c.why = append(c.why, fmt.Sprintf("it holds content up to block %d, its size of %d bytes ends before", at-1, n.Size))
	}
	if n.Size > math.MaxInt32 && p.sb.RoCompat&roLargeFile == 0 && p.sb.Revision > 0 {
		c.doubt = true
		c.why = append(c.why, fmt.Sprintf("its size is %d bytes, and the volume says that it has no file as large", n.Size))
	}
}

// checkTarget holds the size of a link against its target, which stands at the
// start of b and ends where a zero byte follows. Encrypted ones do not.
func (p contents) checkTarget(n *inode, b []byte, c *content) {
	if n.Flags&inodeEncrypt != 0 {
		return
	}
	if i := bytes.IndexByte(b, 0); int64(i) != n.Size {
		c.doubt = true
		c.why = append(c.why, fmt.Sprintf("its size of %d bytes is not that of the target it holds", n.Size))
	}
}

// pieces makes the pieces of a file of the given size from its runs.
func (p contents) pieces(size int64, runs []run, c *content) []extract.Piece {
	if size == 0 {
		return nil
	}
	out := make([]extract.Piece, 0, len(runs)+1)
	pos := int64(0)
	put := func(p extract.Piece) {
		if n := len(out); n > 0 && p.Kind == extract.Data {
			last := &out[n-1]
			if last.Kind == extract.Data && last.Offset+last.Length == p.Offset && last.Image+last.Length == p.Image {
				last.Length += p.Length
				return
			}
		}
		out = append(out, p)
	}
	for i := range runs {
		r := &runs[i]
		off := int64(r.Logical) * p.bs
		if off >= size {
			break
		}
		if off > pos {
			put(extract.Piece{Offset: pos, Length: off - pos, Kind: extract.Hole})
		}
		n := min(int64(r.Length)*p.bs, size-off)
		pos = off + n
		switch r.Kind {
		case runUnwritten:
			put(extract.Piece{Offset: off, Length: n, Kind: extract.Hole})
		case runUnlocated:
			put(extract.Piece{Offset: off, Length: n, Kind: extract.Unlocated})
		default:
			p.dataPieces(off, n, r, c, put)
		}
	}
	if pos < size {
		put(extract.Piece{Offset: pos, Length: size - pos, Kind: extract.Hole})
	}
	return out
}

// dataPieces puts the n bytes of a run that are content from off, blocks with
// a newer version in the journal apart.
func (p contents) dataPieces(off, n int64, r *run, c *content, put func(extract.Piece)) {
	newer := p.overlaid(r.Physical, r.Length)
	for at, end := r.Physical, off+n; off < end; {
		next := r.Physical + r.Length // block that has a newer version
		if len(newer) > 0 {
			next = newer[0]
		}
		k := min(int64(next-at)*p.bs, end-off)
		if k > 0 {
			put(extract.Piece{Offset: off, Length: k, Kind: extract.Data, Image: p.span(at, 1).Start})
			off, at = off+k, next
			continue
		}
		k = min(p.bs, end-off)
		p.journalPieces(off, k, at, c, put)
		off, at, newer = off+k, at+1, newer[1:]
	}
}

// journalPieces puts the k bytes of content from off that are the start of
// block b, of which the journal has the newest version.
func (p contents) journalPieces(off, k int64, b uint64, c *content, put func(extract.Piece)) {
	n := p.copies[b]
	if n.bad {
		put(extract.Piece{Offset: off, Length: k, Kind: extract.Unlocated})
		c.why = append(c.why, fmt.Sprintf("the journal's version of block %d fails its checksum", b))
		return
	}
	c.files = append(c.files, ranges.Range{Start: n.at, End: n.at + p.bs})
	if n.escaped {
		// its first four bytes are those that every block of the journal
		// starts with, as its superblock does
		m := min(k, 4)
		put(extract.Piece{Offset: off, Length: m, Kind: extract.Patched, Image: p.magic, Also: n.at, AlsoLength: m})
		off, k, n.at = off+m, k-m, n.at+m
	}
	if k > 0 {
		put(extract.Piece{Offset: off, Length: k, Kind: extract.Data, Image: n.at})
	}
}

// inlineContent takes content that stands in the inode itself.
func (p contents) inlineContent(n *inode, c *content) {
	if p.sb.Incompat&incompatInlineData == 0 {
		c.doubt = true
		c.why = append(c.why, "its inode claims to hold its content, which the volume does not do")
		return
	}
	parts := n.inlineParts()
	block, off := p.recordPlace(n.Number)
	var have int64
	for _, x := range parts {
		have += x.Length
		if at, ok := p.place(block, off+x.At); ok {
			c.pieces = append(c.pieces, extract.Piece{Offset: x.Offset, Length: x.Length, Kind: extract.Data, Image: at})
		}
	}
	if have < n.Size {
		c.why = append(c.why, "the part of its content that stands in an attribute was not found")
	}
	if n.isLink() {
		target := make([]byte, 0, have)
		for _, x := range parts {
			target = append(target, n.raw[x.At:x.At+x.Length]...)
		}
		c.target, c.pieces = string(target), nil
		c.doubt = c.doubt || have < n.Size
	}
}

// fastLink reports whether a link's target stands in its inode. ext4: ifork,
// "Symbolic Links".
func (v *layout) fastLink(n *inode) bool {
	if n.Flags&(inodeInlineData|inodeExtents) != 0 || n.Size >= iBlockSize {
		return false
	}
	var acl uint64
	if n.FileACL != 0 {
		acl = v.sb.clusterBlocks() * uint64(v.bs/512)
	}
	return n.Sectors <= acl || n.Flags&inodeEAInode != 0
}

// slowLink reads the target of a link that has a block of its own.
func (p contents) slowLink(n *inode, m *mapping, c *content) {
	if len(m.Runs) == 0 || m.Runs[0].Kind != runData || m.Runs[0].Logical != 0 || n.Size > p.bs {
		c.doubt = true
		c.why = append(c.why, "the block with its target is unknown")
		return
	}
	// it is the target that the block holds, not content
	c.own = append(c.own, c.files...)
	c.files = nil
	buf := p.buf(extentMaxDepth + 1)
	b := p.read(buf, m.Runs[0].Physical)
	target, ok := b.Get(0, int(n.Size))
	if !ok {
		c.doubt = true
		c.why = append(c.why, fmt.Sprintf("block %d with its target is unread", m.Runs[0].Physical))
		c.needs = p.needsOfBlocks(c.needs, m.Runs[0].Physical)
		return
	}
	c.target = string(target)
	if n.Size == p.bs || b.Has(int(n.Size), 1) {
		p.checkTarget(n, b.Data, c)
	}
}

package ext

import "encoding/binary"

// Block maps of ext2 and ext3. ext4: ifork, "Direct/Indirect Block Addressing".
const (
	directBlocks   = 12
	indirectLevels = 3
)

// blockMap maps an inode by its direct and indirect blocks. These carry no
// checksum: what can be checked is where they point and, by the caller, that
// they make up the inode's count of blocks.
func (p *mapper) blockMap(n *inode, m *mapping) {
	end := p.v.fileBlocks(n.Size)
	le := binary.LittleEndian
	for i := range uint64(directBlocks) {
		p.mapped(m, i, uint64(le.Uint32(n.Block[4*i:])), end)
	}
	from := uint64(directBlocks)
	per := uint64(p.v.bs / 4)
	span := per // of the file's blocks that one entry of the inode speaks for
	for level := 1; level <= indirectLevels; level++ {
		b := uint64(le.Uint32(n.Block[4*(directBlocks+level-1):]))
		p.indirect(m, level, from, b, span, end)
		from += span
		span *= per
	}
}

// mapped takes the entry for one block of the file.
func (p *mapper) mapped(m *mapping, logical, block, end uint64) {
	if block == 0 {
		return // a hole
	}
	if !p.v.dataRange(block, 1) {
		m.lose(logical, max(min(logical+1, end), logical), "the block map points to block %d, where no content can be", block)
		return
	}
	m.add(run{logical, 1, block, runData})
}

// indirect maps the file's blocks [from, from+span) by an indirect block of
// the given level. Without a checksum each of its sectors stands alone.
func (p *mapper) indirect(m *mapping, level int, from, block, span, end uint64) {
	if block == 0 {
		return // a hole
	}
	lose := func(format string, args ...any) {
		m.lose(from, max(min(from+span, end), from), format, args...)
	}
	if !p.v.dataRange(block, 1) {
		lose("the block map points to block %d, where no block of it can be", block)
		return
	}
	if !p.spend() {
		lose("the block map has more blocks than the volume")
		return
	}
	m.Tree = append(m.Tree, block)
	buf := p.buf(level)
	unread := p.v.readBlockReadable(buf, block)
	per := uint64(p.v.bs / 4)
	each := span / per
	for i := range per {
		at := from + i*each
		if unread != nil && unread.touches(int64(4*i), 4) {
			m.lose(at, max(min(at+each, end), at), "block %d of the block map is unread", block)
			continue
		}
		b := uint64(binary.LittleEndian.Uint32(buf[4*i:]))
		if level == 1 {
			p.mapped(m, at, b, end)
		} else {
			p.indirect(m, level-1, at, b, each, end)
		}
	}
}

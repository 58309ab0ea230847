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
	end := p.fileBlocks(n.Size)
	le := binary.LittleEndian
	for i := range uint64(directBlocks) {
		p.mapped(m, i, uint64(le.Uint32(n.Block[4*i:])), end)
	}
	if end > mapReach(p.bs) {
		m.odd("its size is %d bytes, more than a block map reaches", n.Size)
	}
	from := uint64(directBlocks)
	span := uint64(p.bs / 4) // of the file's blocks that one entry of the inode speaks for
	for level := 1; level <= indirectLevels; level++ {
		b := uint64(le.Uint32(n.Block[4*(directBlocks+level-1):]))
		p.indirect(m, level, from, b, span, end)
		from += span
		span *= uint64(p.bs / 4)
	}
}

// mapReach is the number of a file's blocks that a block map has entries for.
func mapReach(bs int64) uint64 {
	per := uint64(bs / 4)
	return directBlocks + per + per*per + per*per*per
}

// mapped takes the entry for one block of the file.
func (p *mapper) mapped(m *mapping, logical, block, end uint64) {
	switch {
	case block == 0: // a hole
	case !p.dataRange(block, 1):
		m.lose(logical, min(logical+1, end), "the block map points to block %d, where no content can be", block)
	default:
		m.add(run{logical, 1, block, runData})
	}
}

// indirect maps the file's blocks [from, from+span) by an indirect block of
// the given level. Without a checksum each of its sectors stands alone.
func (p *mapper) indirect(m *mapping, level int, from, block, span, end uint64) {
	if block == 0 {
		return // a hole
	}
	b, ok := p.treeBlock(m, "block map", level, block, from, min(from+span, end))
	if !ok {
		return
	}
	per := uint64(p.bs / 4)
	each := span / per
	for i := range per {
		at := from + i*each
		next, ok := b.Uint32(binary.LittleEndian, int(4*i))
		switch {
		case !ok:
			m.lose(at, min(at+each, end), "block %d of the block map is unread", block)
		case level == 1:
			p.mapped(m, at, uint64(next), end)
		default:
			p.indirect(m, level-1, at, uint64(next), each, end)
		}
	}
}

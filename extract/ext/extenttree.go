package ext

import (
	"encoding/binary"
	"fmt"
)

// Extent trees. ext4: ifork, "Extent Tree".
const (
	extentMagic     = 0xF30A
	extentEntrySize = 12
	extentMaxDepth  = 5
	// extentUnwritten is the length from which an extent is unwritten: such a
	// one has this much less.
	extentUnwritten = 32768
)

// extentHeader is "struct ext4_extent_header".
type extentHeader struct {
	Entries uint16
	Max     uint16
	Depth   uint16
}

// parseExtentHeader decodes the header at the start of a node of size bytes,
// not counting the tail of a block.
func parseExtentHeader(b []byte, size int) (extentHeader, error) {
	le := binary.LittleEndian
	if len(b) < extentEntrySize {
		return extentHeader{}, fmt.Errorf("is cut short")
	}
	if le.Uint16(b) != extentMagic {
		return extentHeader{}, fmt.Errorf("has no extent header")
	}
	h := extentHeader{le.Uint16(b[2:]), le.Uint16(b[4:]), le.Uint16(b[6:])}
	switch {
	case h.Depth > extentMaxDepth:
		return h, fmt.Errorf("claims a tree of depth %d", h.Depth)
	case h.Entries > h.Max || extentEntrySize*(int(h.Max)+1) > size:
		return h, fmt.Errorf("claims %d entries of at most %d", h.Entries, h.Max)
	}
	return h, nil
}

// extent is "struct ext4_extent", an entry of a leaf.
type extent struct {
	Logical   uint32
	Length    uint32
	Physical  uint64
	Unwritten bool
}

func parseExtent(b []byte) extent {
	le := binary.LittleEndian
	e := extent{Logical: le.Uint32(b), Length: uint32(le.Uint16(b[4:])),
		Physical: uint64(le.Uint16(b[6:]))<<32 | uint64(le.Uint32(b[8:]))}
	if e.Length > extentUnwritten {
		e.Length -= extentUnwritten
		e.Unwritten = true
	}
	return e
}

// extentIndex is "struct ext4_extent_idx", an entry of an inner node.
type extentIndex struct {
	Logical uint32
	Child   uint64
}

func parseExtentIndex(b []byte) extentIndex {
	le := binary.LittleEndian
	return extentIndex{le.Uint32(b), uint64(le.Uint16(b[8:]))<<32 | uint64(le.Uint32(b[4:]))}
}

// extents maps an inode by its extent tree.
func (p *mapper) extents(n *inode, m *mapping) {
	end := p.v.fileBlocks(n.Size)
	h, err := parseExtentHeader(n.Block[:], iBlockSize)
	if err != nil {
		m.lose(0, end, "the extent tree in the inode %v", err)
		return
	}
	p.extentNode(n, m, h, n.Block[:], nil, 0, 1<<32, end)
}

// extentNode maps the node b with header h, which speaks for the file's blocks
// [from, to). The parts of b that were not read are in unread. end is the
// file's length in blocks: what lies past it may be set aside for the file but
// holds no content, so nothing is missed where it cannot be located.
func (p *mapper) extentNode(n *inode, m *mapping, h extentHeader, b []byte, unread gaps, from, to, end uint64) {
	if fault := checkExtentOrder(h, b, unread, from, to); fault != "" {
		m.lose(from, min(to, end), "%s", fault)
		return
	}
	pos := from  // what lies before it is settled
	cut := false // entries between pos and the next were not read
	settle := func(next uint64) {
		if cut {
			m.lose(pos, min(next, end), "entries of a block of the extent tree are unread")
			cut = false
		}
	}
	for i := range int(h.Entries) {
		at := extentEntrySize * (i + 1)
		if unread.touches(int64(at), extentEntrySize) {
			cut = true
			continue
		}
		if h.Depth == 0 {
			e := parseExtent(b[at:])
			settle(uint64(e.Logical))
			p.leaf(m, e, end)
			pos = uint64(e.Logical) + uint64(e.Length)
			continue
		}
		x := parseExtentIndex(b[at:])
		settle(uint64(x.Logical))
		next := to
		if i+1 < int(h.Entries) {
			if unread.touches(int64(at+extentEntrySize), extentEntrySize) {
				// where this child ends is unread with its neighbour: what it
				// holds is certain, what it leaves out is not
				next = p.nextRead(h, b, unread, i+1, to)
				p.child(n, m, h, x, next, end)
				pos = max(uint64(x.Logical), m.mapped())
				continue
			}
			next = uint64(parseExtentIndex(b[at+extentEntrySize:]).Logical)
		}
		p.child(n, m, h, x, next, end)
		pos = next
	}
	settle(to)
}

// mapped is the first block of the file past the last run.
func (m *mapping) mapped() uint64 {
	if len(m.Runs) == 0 {
		return 0
	}
	last := m.Runs[len(m.Runs)-1]
	return last.Logical + last.Length
}

// nextRead is where the first entry from i on that was read starts.
func (p *mapper) nextRead(h extentHeader, b []byte, unread gaps, i int, to uint64) uint64 {
	for ; i < int(h.Entries); i++ {
		if at := extentEntrySize * (i + 1); !unread.touches(int64(at), extentEntrySize) {
			return uint64(binary.LittleEndian.Uint32(b[at:]))
		}
	}
	return to
}

// checkExtentOrder says in words what is wrong with the entries of a node that
// speaks for [from, to), "" if nothing.
func checkExtentOrder(h extentHeader, b []byte, unread gaps, from, to uint64) string {
	pos := from
	for i := range int(h.Entries) {
		at := extentEntrySize * (i + 1)
		if unread.touches(int64(at), extentEntrySize) {
			continue
		}
		first, length := uint64(binary.LittleEndian.Uint32(b[at:])), uint64(1)
		if h.Depth == 0 {
			e := parseExtent(b[at:])
			length = uint64(e.Length)
			if length == 0 {
				return "an extent has no length"
			}
		}
		if first < pos || first+length > to {
			return "the entries of a block of the extent tree are not in order"
		}
		pos = first + length
	}
	return ""
}

// leaf takes an extent.
func (p *mapper) leaf(m *mapping, e extent, end uint64) {
	if !p.v.dataRange(e.Physical, uint64(e.Length)) {
		m.lose(uint64(e.Logical), max(min(uint64(e.Logical)+uint64(e.Length), end), uint64(e.Logical)),
			"an extent points to block %d, where no content can be", e.Physical)
		return
	}
	kind := runData
	if e.Unwritten {
		kind = runUnwritten
	}
	m.add(run{uint64(e.Logical), uint64(e.Length), e.Physical, kind})
}

// child maps the block that an index entry points to, which speaks for the
// file's blocks from the entry's to next.
func (p *mapper) child(n *inode, m *mapping, parent extentHeader, x extentIndex, next, end uint64) {
	from := uint64(x.Logical)
	lose := func(format string, args ...any) {
		m.lose(from, max(min(next, end), from), format, args...)
	}
	if !p.v.dataRange(x.Child, 1) {
		lose("the extent tree points to block %d, where no block of it can be", x.Child)
		return
	}
	if !p.spend() {
		lose("the extent tree has more blocks than the volume")
		return
	}
	m.Tree = append(m.Tree, x.Child)
	buf := p.buf(int(parent.Depth))
	unread := p.v.readBlockReadable(buf, x.Child)
	if unread.touches(0, extentEntrySize) || unread != nil && p.v.sb.metadataCsum() {
		lose("block %d of the extent tree is unread", x.Child)
		return
	}
	h, err := parseExtentHeader(buf, int(p.v.bs))
	switch {
	case err != nil:
		lose("block %d of the extent tree %v", x.Child, err)
	case h.Depth != parent.Depth-1:
		lose("block %d of the extent tree stands at the wrong depth", x.Child)
	case p.v.sb.metadataCsum() && !extentTailOK(n.Seed, h, buf):
		lose("block %d of the extent tree fails its checksum", x.Child)
	default:
		p.extentNode(n, m, h, buf, unread, from, next, end)
	}
}

// extentTailOK holds a tree block against the checksum behind its last
// possible entry. ext4: ifork, "struct ext4_extent_tail".
func extentTailOK(seed uint32, h extentHeader, b []byte) bool {
	at := extentEntrySize * (int(h.Max) + 1)
	return at+4 <= len(b) && crc32c(seed, b[:at]) == binary.LittleEndian.Uint32(b[at:])
}

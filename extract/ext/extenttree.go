package ext

import (
	"encoding/binary"
	"fmt"

	"fileassay/extract/partial"
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
	end := p.fileBlocks(n.Size)
	h, err := parseExtentHeader(n.Block[:], iBlockSize)
	if err != nil {
		m.lose(0, end, "the extent tree in the inode %v", err)
		return
	}
	p.extentNode(n, m, h, partial.Bytes{Data: n.Block[:]}, 0, 1<<32, end)
}

// extentNode maps the node b with header h, which speaks for the file's blocks
// [from, to). end is the file's length in blocks: what lies past it may be set
// aside for the file but holds no content, so nothing is missed where it cannot
// be located.
func (p *mapper) extentNode(n *inode, m *mapping, h extentHeader, b partial.Bytes, from, to, end uint64) {
	if fault := checkExtentOrder(h, b, from, to); fault != "" {
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
		raw, ok := h.entry(b, i)
		if !ok {
			cut = true
			continue
		}
		if h.Depth == 0 {
			e := parseExtent(raw)
			settle(uint64(e.Logical))
			p.leaf(m, e, end)
			pos = uint64(e.Logical) + uint64(e.Length)
			continue
		}
		x := parseExtentIndex(raw)
		settle(uint64(x.Logical))
		next, sure := to, true
		for k := i + 1; k < int(h.Entries); k++ {
			after, ok := h.entry(b, k)
			if ok {
				next = uint64(binary.LittleEndian.Uint32(after))
				break
			}
			sure = false
		}
		p.child(n, m, h, x, next, end)
		pos = next
		if !sure {
			// where this child ends is unread with its neighbour: what it
			// holds is certain, what it leaves out is not
			pos = max(uint64(x.Logical), m.end())
		}
	}
	settle(to)
}

// entry is entry i of a node; ok is false where it was not read.
func (h extentHeader) entry(b partial.Bytes, i int) (raw []byte, ok bool) {
	return b.Get(extentEntrySize*(i+1), extentEntrySize)
}

// checkExtentOrder says in words what is wrong with the entries of a node that
// speaks for [from, to), "" if nothing.
func checkExtentOrder(h extentHeader, b partial.Bytes, from, to uint64) string {
	pos := from
	for i := range int(h.Entries) {
		raw, ok := h.entry(b, i)
		if !ok {
			continue
		}
		first, length := uint64(binary.LittleEndian.Uint32(raw)), uint64(1)
		if h.Depth == 0 {
			if length = uint64(parseExtent(raw).Length); length == 0 {
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
	from, length := uint64(e.Logical), uint64(e.Length)
	if !p.dataRange(e.Physical, length) {
		m.lose(from, min(from+length, end), "an extent points to block %d, where no content can be", e.Physical)
		return
	}
	kind := runData
	if e.Unwritten {
		kind = runUnwritten
	}
	if c := p.sb.clusterBlocks(); from%c != e.Physical%c {
		m.odd("an extent does not begin at the same block of a cluster as its part of the file")
	}
	m.add(run{from, length, e.Physical, kind})
}

// child maps the block that an index entry points to, which speaks for the
// file's blocks from the entry's to next.
func (p *mapper) child(n *inode, m *mapping, parent extentHeader, x extentIndex, next, end uint64) {
	from, csum := uint64(x.Logical), p.sb.metadataCsum()
	b, ok := p.treeBlock(m, "extent tree", int(parent.Depth), x.Child, from, min(next, end))
	if !ok {
		return
	}
	h, err := parseExtentHeader(b.Data, int(p.bs))
	fault := ""
	switch {
	case !b.Has(0, extentEntrySize) || csum && !b.Whole():
		fault = "is unread"
	case err != nil:
		fault = err.Error()
	case h.Depth != parent.Depth-1:
		fault = "stands at the wrong depth"
	case csum && !extentTailOK(n.Seed, h, b.Data):
		fault = "fails its checksum"
	default:
		if first, ok := h.entry(b, 0); ok && h.Entries > 0 {
			if at := uint64(binary.LittleEndian.Uint32(first)); at != from {
				m.odd("block %d of the extent tree begins with block %d of the file, what points to it says %d", x.Child, at, from)
			}
		}
		p.extentNode(n, m, h, b, from, next, end)
		return
	}
	m.lose(from, min(next, end), "block %d of the extent tree %s", x.Child, fault)
}

// extentTailOK holds a tree block against the checksum behind its last
// possible entry. ext4: ifork, "struct ext4_extent_tail".
func extentTailOK(seed uint32, h extentHeader, b []byte) bool {
	at := extentEntrySize * (int(h.Max) + 1)
	return at+4 <= len(b) && crc32c(seed, b[:at]) == binary.LittleEndian.Uint32(b[at:])
}

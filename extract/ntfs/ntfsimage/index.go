package ntfsimage

import (
	"cmp"
	"slices"
	"unicode"
	"unicode/utf16"
)

// entry is an index entry on its way to a block: without a child pointer.
type entry struct {
	b    []byte
	sort []uint16
}

// entryOf is the entry of a file under one of its names
// (attributes/index_root.html).
func (v *Volume) entryOf(f *File, m Name) entry {
	return v.entryFor(v.ref(f.Number, f.Seq), v.fileName(f, m, true))
}

func (v *Volume) entryFor(ref uint64, key []byte) entry {
	b := make([]byte, (0x10+len(key)+7)&^7)
	le.PutUint64(b, ref)
	le.PutUint16(b[8:], uint16(len(b)))
	le.PutUint16(b[0x0a:], uint16(len(key)))
	copy(b[0x10:], key)
	var up []uint16
	for i := 0x42; i < len(key); i += 2 {
		up = append(up, utf16.Encode([]rune{unicode.ToUpper(rune(le.Uint16(key[i:])))})...)
	}
	return entry{b, up}
}

// Alias gives a file a name that only its folder has.
func (v *Volume) Alias(n uint64, m Name) { v.aliases = append(v.aliases, alias{n, m}) }

type alias struct {
	file uint64
	Name
}

// node is an entry with the block below it, -1 for none.
type node struct {
	b     []byte
	child int64
}

func (n node) bytes() []byte {
	if n.child < 0 {
		return n.b
	}
	b := append(slices.Clone(n.b), make([]byte, 8)...)
	le.PutUint16(b[8:], uint16(len(b)))
	b[0x0c] |= 1
	le.PutUint64(b[len(b)-8:], uint64(n.child))
	return b
}

// endNode is the entry that ends a block.
func endNode(child int64) node {
	b := make([]byte, 0x10)
	le.PutUint16(b[8:], 0x10)
	b[0x0c] = 2
	return node{b, child}
}

// index makes a folder's index of its entries: in the record where they are
// few, else in blocks.
func (v *Volume) index(f *File, list []entry) {
	slices.SortStableFunc(list, func(a, b entry) int { return cmp.Or(slices.Compare(a.sort, b.sort), cmp.Compare(len(a.b), len(b.b))) })
	var level []node
	size := 0
	for _, e := range list {
		level = append(level, node{e.b, -1})
		size += len(e.b)
	}
	last := endNode(-1)
	room := min(400, v.P.Record-v.firstAttr()-0x180)
	var blocks [][]byte
	unit := int64(512) // blocks smaller than a cluster are counted in 512 bytes
	if v.P.Index >= v.P.Cluster {
		unit = int64(v.P.Cluster)
	}
	vcn := func(i int) int64 { return int64(i) * int64(v.P.Index) / unit }
	for size > room || f.InBlocks && len(blocks) == 0 {
		first := (0x28 + 2*(v.P.Index/512+1) + 7) &^ 7
		var up []node
		var block []byte
		full := v.P.Index - first - 0x18
		for i, n := range level {
			b := n.bytes()
			if len(block)+len(b) > full && i < len(level) {
				// this one goes up, and ends the block
				blocks = append(blocks, v.block(vcn(len(blocks)), block, endNode(n.child)))
				up = append(up, node{n.b, vcn(len(blocks) - 1)})
				block = nil
				continue
			}
			block = append(block, b...)
		}
		blocks = append(blocks, v.block(vcn(len(blocks)), block, last))
		last = endNode(vcn(len(blocks) - 1))
		level, size = up, 0
		for _, n := range level {
			size += len(n.bytes())
		}
	}
	var body []byte
	for _, n := range level {
		body = append(body, n.bytes()...)
	}
	body = append(body, last.bytes()...)
	root := make([]byte, 0x20+len(body))
	root[0] = 0x30
	le.PutUint32(root[4:], 1)
	le.PutUint32(root[8:], uint32(v.P.Index))
	root[0x0c] = byte(max(1, int64(v.P.Index)/unit))
	le.PutUint32(root[0x10:], 0x10)
	le.PutUint32(root[0x14:], uint32(0x10+len(body)))
	le.PutUint32(root[0x18:], uint32(0x10+len(body)))
	if len(blocks) > 0 {
		root[0x1c] = 1
	}
	copy(root[0x20:], body)
	f.Extra = append(f.Extra, Resident(0x90, "$I30", root))
	inUse := len(blocks)
	if len(f.Stale) > 0 {
		var stale []byte
		for _, m := range f.Stale {
			stale = append(stale, v.entryFor(f.StaleChild|f.StaleChildSeq<<48, v.fileName(&File{Modified: f.Modified}, m, false)).b...)
		}
		blocks = append(blocks, v.block(vcn(len(blocks)), stale, endNode(-1)))
	}
	if len(blocks) == 0 {
		return
	}
	var all []byte
	for _, b := range blocks {
		all = append(all, b...)
	}
	runs := []Run{{v.Alloc(v.clustersOf(len(all))), v.clustersOf(len(all))}}
	f.Extra = append(f.Extra, v.stored(0xa0, "$I30", all, runs))
	bm := make([]byte, (len(blocks)+63)/64*8)
	for i := range inUse {
		bm[i/8] |= 1 << (i % 8)
	}
	f.Extra = append(f.Extra, Resident(0xb0, "$I30", bm))
	for i := range blocks {
		v.Blocks[f.Number] = append(v.Blocks[f.Number], v.At(runs[0].LCN)+int64(i*v.P.Index))
	}
}

// block makes an index block (attributes/index_allocation.html).
func (v *disk) block(vcn int64, entries []byte, last node) []byte {
	b := make([]byte, v.P.Index)
	first := (0x28 + 2*(v.P.Index/512+1) + 7) &^ 7
	copy(b, "INDX")
	le.PutUint16(b[4:], 0x28)
	le.PutUint16(b[6:], uint16(v.P.Index/512+1))
	le.PutUint64(b[0x10:], uint64(vcn))
	end := last.bytes()
	le.PutUint32(b[0x18:], uint32(first-0x18))
	le.PutUint32(b[0x1c:], uint32(first-0x18+len(entries)+len(end)))
	le.PutUint32(b[0x20:], uint32(v.P.Index-0x18))
	if last.child >= 0 {
		b[0x24] = 1
	}
	copy(b[first:], entries)
	copy(b[first+len(entries):], end)
	v.fixups(b)
	return b
}

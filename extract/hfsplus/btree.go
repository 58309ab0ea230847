package hfsplus

import (
	"context"
	"encoding/binary"
	"sort"

	"fileassay/extract"
	"fileassay/extract/bitmap"
	"fileassay/extract/partial"
	"fileassay/extract/ranges"
)

// tree is a B-tree file that is read node by node (TN1150, B-trees).
type tree struct {
	name string // in words, for remarks
	fork *fork
	size sizer // of leaf records
	// idAt is where in a key the number that the records are sorted by first
	// stands: the parent's in the catalog, the file's in the other trees.
	idAt int

	header   treeHeader
	headerOK bool
	headerIs string // what is wrong with the header
	opposes  bool   // it was read, and is none
	nodeSize int
	total    uint32      // nodes
	used     *bitmap.Map // a bit for each node

	scanned bool
	nodes
	gates gates
}

// nodes are what was found of a tree's nodes.
type nodes struct {
	list     []nodeInfo // those that were read at least in part and may be in use, by number
	children []child    // of the index nodes
	leaves   []leaf     // in use, in the order of the tree as far as it is known

	unreadNodes int64  // in use, or perhaps, of which nothing was read
	partNodes   int64  // in use, of which a part was not read
	badNodes    int64  // in use, and fail their checks
	doubtful    int64  // leaf nodes that may be out of use
	leafRecords int64  // in leaf nodes in use, where their descriptors were read
	counted     uint32 // a node whose descriptor is unread, but
	count       int    // whose number of records is known all the same
	mapUnread   bool   // which nodes are in use is not known for all
	garbled     int64  // of partNodes, those of which a sector was read as garbage
	odd         int64  // nodes that the map, the index and the links do not agree on
}

// nodeInfo is what is remembered of a node between the passes.
type nodeInfo struct {
	number            uint32
	next, prev        uint32
	firstID, lastID   uint32 // of its first and last record whose key was read
	records           uint16
	kind              int8
	height            uint8
	hasFirst, hasLast bool   // firstID is that of its first record, lastID that of its last
	partial           bool   // a part of it was not read
	mapped, free      bool   // the node map calls it used, or free; neither where that is unread
	reached           bool   // it is in use
	firstHash         uint64 // of the first key; only if hasFirst
	child, childEnd   int    // in nodes.children
}

// child is a pointer of an index node.
type child struct {
	node uint32
	id   uint32 // that the key begins with
	hash uint64 // of the key
}

// leaf is a leaf node to be read.
type leaf struct {
	number uint32
	// doubtful says that the node may be out of use.
	doubtful bool
}

// chunkBytes is how much of a tree is read at once.
const chunkBytes = 1 << 20

// maxNodes bounds the nodes of a tree: 64 GiB of the smallest.
const maxNodes = 1 << 27

// openTree reads the header and the node map of the tree in f.
func openTree(name string, f *fork, idAt int, size sizer) *tree {
	t := &tree{name: name, fork: f, idAt: idAt, size: size}
	var head [minNode]byte
	if b := f.read(head[:], 0); !b.Has(0, bthEnd) {
		t.headerIs = "is unread"
	} else if h, err := parseTreeHeader(head[:]); err != nil {
		t.headerIs, t.opposes = err.Error(), true
	} else {
		t.header, t.headerOK, t.nodeSize = h, true, h.nodeSize
	}
	if !t.headerOK {
		t.nodeSize = guessNodeSize(f)
	}
	t.total = uint32(min(f.size/int64(t.nodeSize), maxNodes))
	if t.headerOK {
		t.total = min(t.total, t.header.totalNodes)
	}
	t.used = t.readMap()
	return t
}

// short reports whether nodes of the tree are missing.
func (t *tree) short() bool { return t.unreadNodes > 0 || t.badNodes > 0 || t.fork.gaps }

// guessNodeSize finds the size of a tree's nodes where the header is unread:
// the one at which most nodes are sound.
func guessNodeSize(f *fork) int {
	const look = 1 << 20
	b := f.read(make([]byte, min(max(f.located(), maxNode), look)), 0)
	best, most := 4096, 0
	for size := minNode; size <= maxNode; size *= 2 {
		sound := 0
		var n node
		for at := 0; at+size <= b.Len(); at += size {
			if b.Has(at, size) && n.parse(0, b.Slice(at, size), nil) == nil && n.records > 0 && len(n.recs) == n.records && n.kind <= kindIndex {
				sound += size
			}
		}
		if sound > most {
			best, most = size, sound
		}
	}
	return best
}

// readMap reads which nodes are in use: the map record of the header node and
// the map nodes behind it (TN1150, B-trees, Map Nodes), a bit for each node.
func (t *tree) readMap() *bitmap.Map {
	var m partial.Bytes
	if !t.headerOK {
		return bitmap.Of(m, 0, bitmap.HighFirst)
	}
	want := int(t.total+7) / 8
	buf := make([]byte, t.nodeSize)
	next, from := uint32(0), bthMap
	for seen := 0; m.Len() < want && seen <= want; seen++ {
		n := node{Bytes: t.fork.read(buf, int64(next)*int64(t.nodeSize))}
		after, slot, end := t.header.firstMap, 3, t.nodeSize-8 // the third record of the header node, before four offsets
		if next != 0 {
			d, err := parseDescriptor(buf, t.nodeSize)
			if !n.Has(0, descriptorSize) || err != nil || d.kind != kindMap {
				break
			}
			from = descriptorSize
			after, slot, end = d.next, 1, t.nodeSize-6 // two offsets, and two bytes that keep it even
		}
		if off, ok := n.slot(slot); ok && off > from && off <= t.nodeSize-2*(slot+1) {
			end = off
		}
		if end = min(end, from+want-m.Len()); end > from {
			for u := range ranges.Within(n.Unread, int64(from), int64(end)) {
				shift := int64(m.Len() - from)
				m.Unread = ranges.Append(m.Unread, ranges.Range{Start: u.Start + shift, End: u.End + shift})
			}
			m.Data = append(m.Data, buf[from:end]...)
		}
		if next = after; next == 0 || next >= t.total {
			break
		}
	}
	return bitmap.Of(m, int64(t.total), bitmap.HighFirst)
}

// keyHash is a hash of the bytes of a key (FNV-1a, 64 bits). It only tells
// whether an index node and its child name the same key.
func keyHash(b []byte) uint64 {
	h := uint64(0xCBF29CE484222325)
	for _, c := range b {
		h = (h ^ uint64(c)) * 0x100000001B3
	}
	return h
}

// key is the key of the record at r as far as its node was read: its number,
// and how many bytes it has with its length; ok is false where it was not read
// or is none.
func (t *tree) key(n *node, at, end int) (id uint32, size int, ok bool) {
	if at+t.idAt+4 > end || !n.Has(at, t.idAt+4) {
		return 0, 0, false
	}
	size = 2 + int(binary.BigEndian.Uint16(n.Data[at:]))
	if size < t.idAt+4 || at+size > end {
		return 0, 0, false
	}
	return binary.BigEndian.Uint32(n.Data[at+t.idAt:]), size, true
}

// add takes what was found of the nodes behind them.
func (n *nodes) add(p *nodes) {
	base := len(n.children)
	for _, x := range p.list {
		x.child, x.childEnd = x.child+base, x.childEnd+base
		n.list = append(n.list, x)
	}
	n.children = append(n.children, p.children...)
	n.unreadNodes += p.unreadNodes
	n.badNodes += p.badNodes
	n.partNodes += p.partNodes
	n.garbled += p.garbled
	n.mapUnread = n.mapUnread || p.mapUnread
}

// scan looks at every node that may be in use and works out which are.
func (t *tree) scan(ctx context.Context, o extract.Options) error {
	if t.scanned {
		return nil
	}
	per := max(chunkBytes/t.nodeSize, 1)
	n := (int(t.total) + per - 1) / per
	done := int64(0)
	err := extract.InOrder(ctx, o.Workers(), n, func(_ context.Context, i int) (nodes, error) {
		first := uint32(i * per)
		return t.look(first, min(uint32(per), t.total-first)), nil
	}, func(c nodes) error {
		t.nodes.add(&c)
		done += int64(per)
		o.Report(t.name, min(done, int64(t.total))*int64(t.nodeSize), int64(t.total)*int64(t.nodeSize))
		return nil
	})
	if err != nil {
		return err
	}
	t.settle()
	t.findGates()
	t.scanned = true
	return nil
}

// look reads count nodes from first.
func (t *tree) look(first, count uint32) nodes {
	var c nodes
	var b partial.Bytes
	located := t.fork.runs.any(int64(first)*int64(t.nodeSize), int64(count)*int64(t.nodeSize))
	if located {
		b = t.fork.read(make([]byte, int(count)*t.nodeSize), int64(first)*int64(t.nodeSize))
	}
	var n node
	for i := range count {
		number := first + i
		state := t.used.Get(int64(number))
		if number == 0 {
			continue
		}
		c.mapUnread = c.mapUnread || state == bitmap.Unknown
		err, garbled := errUnread, false
		if located {
			garbled, err = t.parse(&n, number, b.Slice(int(i)*t.nodeSize, t.nodeSize))
		}
		switch {
		case state == bitmap.Clear && (err != nil || len(n.recs) == 0):
			continue
		case err == errUnread:
			c.unreadNodes++
			continue
		case err != nil:
			if state == bitmap.Set {
				c.badNodes++
			}
			continue
		case n.kind == kindHeader || n.kind == kindMap:
			continue
		case state == bitmap.Unknown && n.kind == kindUnknown && len(n.recs) == 0:
			c.unreadNodes++
			continue
		}
		x := t.info(&n, &c)
		x.mapped, x.free = state == bitmap.Set, state == bitmap.Clear
		if !n.Whole() && !x.free {
			c.partNodes++
		}
		if garbled && !x.free {
			c.garbled++
		}
		c.list = append(c.list, x)
	}
	return c
}

// parse finds the records of a node. Where its first sector or its last was read as
// garbage, so that the descriptor or the table of offsets cannot be, it is used as
// far as it would be with that sector unread.
func (t *tree) parse(n *node, number uint32, b partial.Bytes) (garbled bool, err error) {
	err = n.parse(number, b, t.size)
	sector := int64(t.fork.src.r.Sector())
	if err == nil || err == errUnread || int64(b.Len()) <= sector {
		return false, err
	}
	for _, bad := range []ranges.Range{{Start: 0, End: sector}, {Start: int64(b.Len()) - sector, End: int64(b.Len())}} {
		c := partial.Bytes{Data: b.Data}
		for r := range ranges.Within(b.Unread, 0, bad.Start) {
			c.Unread = ranges.Append(c.Unread, r)
		}
		c.Unread = ranges.Append(c.Unread, bad)
		for r := range ranges.Within(b.Unread, bad.End, int64(b.Len())) {
			c.Unread = ranges.Append(c.Unread, r)
		}
		if n.parse(number, c, t.size) == nil && len(n.recs) > 0 {
			return true, nil
		}
	}
	return false, err
}

// info is what is remembered of a node.
func (t *tree) info(n *node, c *nodes) nodeInfo {
	x := nodeInfo{number: n.number, next: n.next, prev: n.prev, kind: n.kind, height: n.height,
		partial: !n.Whole(), child: len(c.children), records: uint16(n.records)}
	if n.kind == kindUnknown {
		x.next, x.prev = 0, 0
		x.kind = t.guessKind(n)
	}
	any := false
	for _, r := range n.recs {
		id, size, ok := t.key(n, r.start, r.end)
		if !ok {
			continue
		}
		if r.start == descriptorSize && n.Has(r.start, size) {
			x.hasFirst, x.firstHash = true, keyHash(n.Data[r.start:r.start+size])
		}
		if !any {
			x.firstID, any = id, true
		}
		x.lastID = id
		if n.kind == kindIndex && n.Has(r.start, r.end-r.start) && r.end-r.start >= size+4 {
			c.children = append(c.children, child{binary.BigEndian.Uint32(n.Data[r.end-4:]), id,
				keyHash(n.Data[r.start : r.start+size])})
		}
	}
	if len(n.recs) > 0 && !n.uncertain && n.gone == 0 {
		_, _, x.hasLast = t.key(n, n.recs[len(n.recs)-1].start, n.recs[len(n.recs)-1].end)
	}
	x.childEnd = len(c.children)
	return x
}

// guessKind tells leaves from index nodes by their records.
func (t *tree) guessKind(n *node) int8 {
	for _, r := range n.recs {
		if _, size, ok := t.key(n, r.start, r.end); ok {
			if s, ok := t.size(n.Bytes, r.start); ok && s <= r.end-r.start && s > size+4 {
				return kindLeaf
			}
			return kindIndex
		}
	}
	return kindUnknown
}

// find is the index in list of the node of that number, -1 where it was not
// read or is not in use.
func (n *nodes) find(number uint32) int {
	i := sort.Search(len(n.list), func(i int) bool { return n.list[i].number >= number })
	if i < len(n.list) && n.list[i].number == number {
		return i
	}
	return -1
}

// each reads the leaf nodes in use, once the tree was scanned, hands them to work
// on several goroutines and takes what it gives in the tree's order. The node is
// work's until it returns.
func each[T any](ctx context.Context, t *tree, o extract.Options, work func(n *node, doubtful bool, out *T), take func(T) error) error {
	if err := t.scan(ctx, o); err != nil {
		return err
	}
	const batch = 32
	return extract.InOrder(ctx, o.Workers(), (len(t.leaves)+batch-1)/batch, func(_ context.Context, i int) (T, error) {
		var out T
		var n node
		buf := make([]byte, t.nodeSize)
		for _, l := range t.leaves[i*batch : min((i+1)*batch, len(t.leaves))] {
			if _, err := t.parse(&n, l.number, t.fork.read(buf, int64(l.number)*int64(t.nodeSize))); err != nil {
				continue
			}
			if n.uncertain && l.number == t.counted && t.count >= 0 && t.count <= len(n.recs) {
				n.recs, n.uncertain = n.recs[:t.count], false
			}
			work(&n, l.doubtful, &out)
		}
		return out, nil
	}, take)
}

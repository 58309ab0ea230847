package ntfs

import (
	"fmt"
)

// indexEntry is an entry of a folder's index [docs: attributes/index_root.html]:
// a child's reference and, as key, its name.
type indexEntry struct {
	child reference
	fileName
}

// Offsets in an index entry.
const (
	entryChild  = 0x00 // uint64
	entryLength = 0x08 // uint16
	entryKeyLen = 0x0a // uint16
	entryFlags  = 0x0c // uint16
	entryKey    = 0x10

	entryHasChild = 0x01 // a reference to a deeper block stands at the end
	entryLast     = 0x02 // ends the block; has no key
)

// Offsets in the header of index entries, which stands in the $INDEX_ROOT
// value at rootHeader and in an index block at blockHeader.
const (
	headerFirst = 0x00 // uint32, from the header
	headerUsed  = 0x04 // uint32, bytes in use, from the header
	headerSize  = 0x10

	rootHeader  = 0x10
	blockVCN    = 0x10 // uint64
	blockHeader = 0x18
)

// parseIndexEntry decodes the entry at the start of b. last is set for the
// entry that ends a block, which holds no name.
func parseIndexEntry(b []byte) (e indexEntry, n int, last bool, err error) {
	if len(b) < entryKey {
		return e, 0, false, fmt.Errorf("index entry of %d bytes is too short", len(b))
	}
	n = int(le.Uint16(b[entryLength:]))
	key := int(le.Uint16(b[entryKeyLen:]))
	flags := le.Uint16(b[entryFlags:])
	if n < entryKey || n%8 != 0 || n > len(b) {
		return e, 0, false, fmt.Errorf("index entry states a length of %d in %d bytes", n, len(b))
	}
	if flags&entryLast != 0 {
		return e, n, true, nil
	}
	if entryKey+key > n {
		return e, 0, false, fmt.Errorf("index entry of %d bytes states a key of %d", n, key)
	}
	e.child = reference(le.Uint64(b[entryChild:]))
	e.fileName, err = parseFileName(b[entryKey : entryKey+key])
	return e, n, false, err
}

// exact reports whether the entry at the start of b, decoded as e of n bytes,
// is laid out just as an entry under parent must be. It is the proof asked of
// an entry that no chain of entries leads to.
func (e *indexEntry) exact(b []byte, n int, parent reference) bool {
	want := entryKey + nameText + 2*len(e.name)
	if int(le.Uint16(b[entryKeyLen:])) != want-entryKey {
		return false
	}
	want = (want + 7) &^ 7
	if le.Uint16(b[entryFlags:])&entryHasChild != 0 {
		want += 8
	}
	return n == want && e.parent == parent
}

// walkEntries calls yield for the entries in b[from:to], whose bad strides
// are not trusted. Where a chain of entries breaks at a bad stride it is taken
// up again behind it only at an entry that proves itself: one that names
// parent as its folder, is laid out exactly, and from which the chain runs to
// the end or to the next bad stride. It reports whether all entries were read.
func walkEntries(b []byte, from, to int, bad strides, parent reference, yield func(indexEntry)) (all bool) {
	at, ended := chain(b, from, to, bad, 0, yield)
	if ended {
		return true
	}
	for at < to {
		// the next trustworthy place
		s := at / stride
		for s*stride < to && (bad.has(int64(s)) || s*stride < at) {
			s++
		}
		at = s * stride
		found := false
		for p := at; p < to && !bad.has(int64(p/stride)); p += 8 {
			if next, _ := chain(b, p, to, bad, parent, nil); next > p {
				at, ended = chain(b, p, to, bad, parent, yield)
				found = true
				break
			}
		}
		if ended {
			return false
		}
		if !found {
			for at < to && !bad.has(int64(at/stride)) {
				at += stride
			}
		}
	}
	return false
}

// chain follows entries from at; with a parent given they must be exact, and
// a chain that breaks within good strides counts for nothing. It returns where
// it stopped (at, if nothing counted) and whether it met the last entry.
func chain(b []byte, at, to int, bad strides, parent reference, yield func(indexEntry)) (stop int, ended bool) {
	for p := at; ; {
		if p+entryKey > to {
			return at0(parent, at, p), p == to
		}
		if !bad.clean(p, p+entryKey) {
			return p, false
		}
		n := int(le.Uint16(b[p+entryLength:]))
		if n >= entryKey && p+n <= to && !bad.clean(p, p+n) {
			return p, false // whole in its head only
		}
		e, n, last, err := parseIndexEntry(b[p:to])
		if err != nil || parent != 0 && !last && !e.exact(b[p:to], n, parent) {
			return at0(parent, at, p), false
		}
		if last {
			if parent != 0 && (p == at || p+n != to) {
				return at, false
			}
			return p + n, true
		}
		if yield != nil {
			yield(e)
		}
		p += n
	}
}

// at0 is where a chain counts as stopped when it broke at p: where it began,
// if it had to prove itself.
func at0(parent reference, at, p int) int {
	if parent != 0 {
		return at
	}
	return p
}

// folderIndex walks the index of a folder, as far as it was read, and calls
// yield for each entry. It reports whether all of it was read.
func (v *Volume) folderIndex(rec *record, exts []*record, yield func(indexEntry)) (all bool) {
	root, owner := findNamed(rec, exts, attrIndexRoot, "$I30")
	if root == nil || !root.resident || root.valueLen < rootHeader+headerSize {
		return false
	}
	all = true
	base := root.valueOff + rootHeader
	if owner.bad.clean(root.valueOff, base+headerSize) {
		first, used := int64(le.Uint32(owner.data[base+headerFirst:])), int64(le.Uint32(owner.data[base+headerUsed:]))
		if first < headerSize || used < first || int64(base)+used > int64(root.valueOff+root.valueLen) {
			all = false
		} else if !walkEntries(owner.data, base+int(first), base+int(used), owner.bad, rec.ref(), yield) {
			all = false
		}
	} else {
		all = false
	}
	m := v.gatherNamed(rec, attrIndexAlloc, "$I30", exts)
	if m == nil {
		return all && rec.whole
	}
	if len(m.broken) > 0 || !m.headed {
		all = false
	}
	used := v.indexBitmap(rec, exts)
	s := v.stream(m)
	size := v.indexSize(root, owner)
	b := make([]byte, size)
	for _, e := range s.extents { // only where there is something
		for off := (e.Offset + size - 1) / size * size; off < e.Offset+e.Length && off+size <= m.size; off += size {
			inUse, known := used(off / size)
			if known && !inUse {
				continue
			}
			if !v.indexBlock(b, s, off, known, rec.ref(), yield) {
				all = false
			}
		}
	}
	s.located(0, m.size, func(off, _, n int64, located bool) {
		if !located {
			all = false
		}
	})
	return all
}

// indexSize is the size of a folder's index blocks: its own $INDEX_ROOT states
// it, else the boot sector does.
func (v *Volume) indexSize(root *attribute, owner *record) int64 {
	if root.resident && root.valueLen >= rootHeader && owner.bad.clean(root.valueOff, root.valueOff+rootHeader) {
		if n := int64(le.Uint32(owner.data[root.valueOff+8:])); powerOfTwo(n) && n >= stride && n <= maxIndexSize {
			return n
		}
	}
	return v.boot.IndexSize
}

// findNamed finds an attribute in a record or its extension records.
func findNamed(rec *record, exts []*record, typ attrType, name string) (*attribute, *record) {
	if a := rec.named(typ, name); a != nil {
		return a, rec
	}
	for _, x := range exts {
		if a := x.named(typ, name); a != nil {
			return a, x
		}
	}
	return nil, rec
}

// indexBitmap is a folder's own bitmap of index blocks: blocks that it does
// not use hold stale names.
func (v *Volume) indexBitmap(rec *record, exts []*record) func(block int64) (used, known bool) {
	var s *stream
	if a, owner := findNamed(rec, exts, attrBitmap, "$I30"); a != nil && a.resident {
		s = v.residentStream(owner, a)
	} else if m := v.gatherNamed(rec, attrBitmap, "$I30", exts); m != nil && m.headed {
		s = v.stream(m)
	}
	if s == nil || s.size > 1<<24 {
		return func(int64) (bool, bool) { return false, false }
	}
	b := make([]byte, s.size)
	gaps := s.read(b, 0)
	return func(block int64) (bool, bool) {
		at := block / 8
		if at >= int64(len(b)) {
			return false, true
		}
		for _, g := range gaps {
			if g.Start <= at && at < g.End {
				return false, false
			}
		}
		return b[at]>>(block%8)&1 != 0, true
	}
}

// indexBlock walks the block of len(b) bytes at off of an index allocation
// [docs: attributes/index_allocation.html]. Without knowing that the block is
// in use nothing in it is believed.
func (v *Volume) indexBlock(b []byte, s *stream, off int64, inUse bool, parent reference, yield func(indexEntry)) (all bool) {
	gaps := s.read(b, off)
	bad, _ := badStrides(gaps, off, int64(len(b)))
	if !inUse || bad.has(0) || string(b[:4]) != "INDX" {
		return false
	}
	_, torn, err := applyFixups(b, bad)
	if err != nil || torn.has(0) {
		return false
	}
	bad |= torn
	unit := v.cluster // blocks smaller than a cluster are counted in 512 bytes
	if int64(len(b)) < unit {
		unit = stride
	}
	if int64(le.Uint64(b[blockVCN:])) != off/unit {
		return false
	}
	first, used := int64(le.Uint32(b[blockHeader+headerFirst:])), int64(le.Uint32(b[blockHeader+headerUsed:]))
	if first < headerSize || used < first || blockHeader+used > int64(len(b)) {
		return false
	}
	return walkEntries(b, int(blockHeader+first), int(blockHeader+used), bad, parent, yield) && bad == 0
}

// listed is what is remembered of an index entry.
func (e *indexEntry) listed() nameOnly {
	shown, exact := e.shown()
	return nameOnly{child: e.child, parent: e.parent, shown: shown, exact: exact, space: e.space,
		size: e.size, modified: e.modified, folder: e.folder}
}

// nameOnly is what a folder's index knows of a child.
type nameOnly struct {
	child, parent reference
	shown         string
	exact         []byte
	space         namespace
	size          int64
	modified      int64
	folder        bool
}

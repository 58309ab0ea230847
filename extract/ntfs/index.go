package ntfs

import (
	"fmt"
	"iter"

	"fileassay/extract/bitmap"
	"fileassay/extract/needs"
	"fileassay/extract/partial"
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

// entryBounds is where the entries behind the header at base begin and end; ok
// is false where that makes no sense within limit. The header was read.
func entryBounds(b []byte, base, limit int) (from, to int, ok bool) {
	first, used := int64(le.Uint32(b[base+headerFirst:])), int64(le.Uint32(b[base+headerUsed:]))
	if first < headerSize || used < first || int64(base)+used > int64(limit) {
		return 0, 0, false
	}
	return base + int(first), base + int(used), true
}

// openBlock checks the head of an index block
// [docs: attributes/index_allocation.html], undoes its fixups, and returns
// where its entries are.
func openBlock(b *partial.Bytes) (from, to int, ok bool) {
	if !b.Has(0, stride) || string(b.Data[:4]) != "INDX" {
		return 0, 0, false
	}
	if _, _, err := applyFixups(b); err != nil || !b.Has(0, stride) {
		return 0, 0, false
	}
	return entryBounds(b.Data, blockHeader, b.Len())
}

// walkEntries calls yield for the entries in [from, to) of b. Where a chain of
// entries breaks at an unread stride it is taken up again behind it only at an
// entry that proves itself: one that names parent as its folder, is laid out
// exactly, and from which the chain runs to the end or to the next unread
// stride. It reports whether all entries were read.
func walkEntries(b partial.Bytes, from, to int, parent reference, yield func(indexEntry)) (all bool) {
	at, ended := chain(b, from, to, 0, yield)
	if ended {
		return true
	}
	for at < to {
		// the next trustworthy place
		at = (at + stride - 1) / stride * stride
		for at < to && !b.Has(at, 1) {
			at += stride
		}
		found := false
		for p := at; p < to && b.Has(p, 1); p += 8 {
			if next, _ := chain(b, p, to, parent, nil); next > p {
				at, ended = chain(b, p, to, parent, yield)
				found = true
				break
			}
		}
		if ended {
			return false
		}
		if !found {
			for at < to && b.Has(at, 1) {
				at += stride
			}
		}
	}
	return false
}

// chain follows entries from at; with a parent given they must be exact, and
// a chain that breaks within what was read counts for nothing. It returns where
// it stopped (at, if nothing counted) and whether it met the last entry.
func chain(b partial.Bytes, at, to int, parent reference, yield func(indexEntry)) (stop int, ended bool) {
	// broke is where a chain that broke at p counts as stopped
	broke := func(p int) int {
		if parent != 0 {
			return at
		}
		return p
	}
	for p := at; ; {
		if p+entryKey > to {
			return broke(p), p == to
		}
		if !b.Has(p, entryKey) {
			return p, false
		}
		n := int(le.Uint16(b.Data[p+entryLength:]))
		if n >= entryKey && p+n <= to && !b.Has(p, n) {
			return p, false // whole in its head only
		}
		e, n, last, err := parseIndexEntry(b.Data[p:to])
		if err != nil || parent != 0 && !last && !e.exact(b.Data[p:to], n, parent) {
			return broke(p), false
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

// index is a folder's list of names.
type index struct {
	t      *table
	folder reference
	whole  bool       // that there are no blocks is known
	owner  *record    // of root
	root   *attribute // nil where not known
	blocks *mapping   // nil where there are none
	stream *stream    // of the blocks
	used   *stream    // which blocks are in use: others hold stale names; nil where not known
	bits   *bitmap.Map
	inside bool  // used stands in a record
	shared bool  // a run of it is left out, for another attribute claims all of it
	size   int64 // of a block: the root states it, else the boot sector does
}

// index finds the index of a folder.
func (t *table) index(f *fileRecords) *index {
	x := &index{t: t, folder: f.ref(), whole: f.all, blocks: f.gather(t.area, attrIndexAlloc, "$I30"), size: t.boot.IndexSize}
	if x.blocks != nil {
		x.stream = x.blocks.stream(t.r)
	}
	if x.owner, x.root = f.find(attrIndexRoot, "$I30"); x.root == nil {
		return x
	}
	if x.root.resident && x.root.valueLen >= rootHeader && x.owner.data.Has(x.root.valueOff, rootHeader) {
		if n := int64(le.Uint32(x.owner.data.Data[x.root.valueOff+8:])); powerOfTwo(n) && n >= stride && n <= maxIndexSize {
			x.size = n
		}
	}
	if x.blocks != nil {
		if x.used = t.streamOf(f, attrBitmap, "$I30"); x.used != nil && x.used.size <= 1<<24 {
			x.bits = x.used.bitmap(8 * x.used.size)
		}
		_, a := f.find(attrBitmap, "$I30")
		x.inside = a != nil && a.resident
	}
	return x
}

// inUse yields where blocks begin that are in use, or not known not to be.
func (x *index) inUse() iter.Seq2[int64, bitmap.State] {
	return func(yield func(int64, bitmap.State) bool) {
		for _, e := range x.blocks.runs { // only where there is something
			if e.Image >= 0 && x.t.shared.Covered(e.Image, e.Length) == e.Length {
				x.shared = true // a folder that maps the volume many times costs nothing
				continue
			}
			for off := (e.Offset + x.size - 1) / x.size * x.size; off < e.Offset+e.Length && off+x.size <= x.blocks.size; off += x.size {
				state := bitmap.Unknown
				if x.bits != nil {
					if off/x.size >= x.bits.Bits {
						return // none from here on is in use
					}
					state = x.bits.Get(off / x.size)
				}
				if state != bitmap.Clear && !yield(off, state) {
					return
				}
				if state == bitmap.Unknown && e.Image == hole {
					break // there is no more to it
				}
			}
		}
	}
}

// walk calls yield for each name in the index, as far as it was read. It
// reports whether all of it was, and whether all of them were its own: an entry of
// another folder is none of it.
func (x *index) walk(yield func(indexEntry)) (all, own bool) {
	own = true
	all = x.entries(func(e indexEntry) {
		if e.parent.number() == x.folder.number() {
			yield(e)
		} else {
			own = false
		}
	})
	return all, own
}

// entries calls yield for each entry, as walk does for each name.
func (x *index) entries(yield func(indexEntry)) (all bool) {
	if x.root == nil || !x.root.resident || x.root.valueLen < rootHeader+headerSize {
		return false
	}
	if base := x.root.valueOff + rootHeader; x.owner.data.Has(x.root.valueOff, rootHeader+headerSize) {
		from, to, ok := entryBounds(x.owner.data.Data, base, x.root.valueOff+x.root.valueLen)
		all = ok && walkEntries(x.owner.data, from, to, x.folder, yield)
	}
	if x.blocks == nil {
		return all && x.whole
	}
	all = all && len(x.blocks.broken) == 0 && x.blocks.headed
	b := make([]byte, x.size)
	for off, state := range x.inUse() {
		// without knowing that a block is in use nothing in it is believed
		all = state == bitmap.Set && x.block(x.stream.read(b, off), off, yield) && all
	}
	all = all && !x.shared
	for e := range x.stream.parts(0, x.blocks.size) {
		all = all && e.Image != unlocated
	}
	return all
}

// block walks the block at off.
func (x *index) block(b partial.Bytes, off int64, yield func(indexEntry)) (all bool) {
	from, to, ok := openBlock(&b)
	unit := x.t.cluster // blocks smaller than a cluster are counted in 512 bytes
	if x.size < unit {
		unit = stride
	}
	return ok && int64(le.Uint64(b.Data[blockVCN:])) == off/unit && walkEntries(b, from, to, x.folder, yield) && b.Whole()
}

// need asks for what is unread of the index.
func (x *index) need(list *needs.List) {
	if x.root == nil || x.blocks == nil {
		return
	}
	if x.used != nil && !x.inside {
		x.used.need(list, 0, x.used.size)
	}
	for off := range x.inUse() {
		if list.Full() {
			return
		}
		x.stream.need(list, off, x.size)
	}
}

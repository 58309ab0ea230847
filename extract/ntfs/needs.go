package ntfs

import (
	"fileassay/extract/imap"
	"fileassay/extract/ranges"
)

// maxNeeds bounds the ranges asked for on behalf of one file or folder at
// once; once they were read, the rest is asked for.
const maxNeeds = 1 << 8

// needs collects ranges of the image that must be read before more is known.
type needs struct {
	v    *Volume
	list []ranges.Range
}

// add takes n bytes at image, if a part of them was not read.
func (w *needs) add(image, n int64) {
	if n <= 0 || image < 0 || w.v.r.IsRead(image, n) {
		return
	}
	if k := len(w.list) - 1; k >= 0 && w.list[k].End == image {
		w.list[k].End += n
	} else if len(w.list) < maxNeeds {
		w.list = append(w.list, ranges.Range{Start: image, End: image + n})
	}
}

// stream takes [off, off+n) of a stream, as far as its place is known.
func (w *needs) stream(s *stream, off, n int64) {
	s.located(off, n, func(_, image, n int64, located bool) {
		if located {
			w.add(image, n)
		}
	})
}

// record takes a record of the file table.
func (w *needs) record(n uint64) {
	t := w.v.table
	if !t.sized || n < t.count {
		w.stream(t.stream, int64(n)*t.recordSize, t.recordSize)
	}
}

// rest takes what is unread of a record, of its attribute list, and of the
// further records that the list names.
func (w *needs) rest(rec *record) {
	w.record(rec.number)
	a := rec.attr(attrList)
	if a == nil {
		return
	}
	if !a.resident {
		var m mapping
		m.add(rec, a, w.v.clusters)
		m.settle()
		w.stream(w.v.stream(&m), 0, min(m.size, maxAttributeList))
	}
	list, _ := w.v.attributeList(rec)
	last := rec.number
	for _, e := range list {
		if n := e.ref.number(); n != last && n != rec.number {
			w.record(n)
			last = n
		}
	}
}

// index takes what is unread of a folder's list of names.
func (w *needs) index(rec *record, exts []*record) {
	v := w.v
	root, owner := findNamed(rec, exts, attrIndexRoot, "$I30")
	m := v.gatherNamed(rec, attrIndexAlloc, "$I30", exts)
	if root == nil || m == nil {
		return
	}
	if b := v.gatherNamed(rec, attrBitmap, "$I30", exts); b != nil && b.headed {
		s := v.stream(b)
		w.stream(s, 0, s.size)
	}
	used := v.indexBitmap(rec, exts)
	s := v.stream(m)
	size := v.indexSize(root, owner)
	for _, e := range s.extents {
		for off := (e.Offset + size - 1) / size * size; off < e.Offset+e.Length && off+size <= m.size && len(w.list) < maxNeeds; off += size {
			if inUse, known := used(off / size); inUse || !known {
				w.stream(s, off, size)
			}
		}
	}
}

// needsOfRecord is what an entry whose record is unread needs.
func (v *Volume) needsOfRecord(n uint64) []ranges.Range {
	w := needs{v: v}
	w.record(n)
	return w.list
}

// needsOfVolume is what the volume needs that belongs to no listed entry: the
// file table's own records, and those of the root folder.
func (v *Volume) needsOfVolume() []ranges.Range {
	w := needs{v: v}
	t := v.table
	if t.rebuilt {
		return v.firstNeeds()
	}
	if t.missing() != nil {
		w.rest(v.readRecord(recMFT))
	}
	root := v.readRecord(recRoot)
	if root.state != recordUsed {
		w.record(recRoot)
		return w.list
	}
	var exts []*record
	whole := root.whole
	if root.attr(attrList) != nil || !whole {
		var all bool
		exts, all = v.extensions(root)
		whole = whole && all
	}
	if !whole {
		w.rest(root)
	}
	if v.census.torn[recRoot] {
		w.index(root, exts)
	}
	return w.list
}

// firstNeeds is what is needed where record 0 could not be had: its place by
// the boot sector, or, if that was read, the mirror's.
func (v *Volume) firstNeeds() []ranges.Range {
	w := needs{v: v}
	if w.add(v.start+v.boot.MFT*v.cluster, v.boot.RecordSize); w.list == nil {
		w.add(v.start+v.boot.MFTMirror*v.cluster, v.boot.RecordSize)
	}
	return w.list
}

// noneRead reports whether nothing of n bytes at off was read, which is
// cheaper to know than to look at them.
func (v *Volume) noneRead(off, n int64) bool {
	for rg := range v.r.Over(off, n) {
		if rg.State == imap.Read {
			return false
		}
	}
	return true
}

// attribute takes a non-resident attribute without a name, of the size that a
// reparse point may have.
func (w *needs) attribute(rec *record, exts []*record, typ attrType) {
	if m := w.v.gather(rec, typ, exts); m != nil && m.headed {
		w.stream(w.v.stream(m), 0, min(m.size, maxReparse))
	}
}

// chunkTable takes the table of chunks at the begin of a stream that holds a
// file of size bytes compressed; see [Volume.wofPieces].
func (w *needs) chunkTable(s *dataStream, size int64, chunk int) {
	if chunk <= 0 || size <= 0 || s.resident != nil {
		return
	}
	width := int64(4)
	if size > 1<<32-1 {
		width = 8
	}
	st := w.v.stream(&s.mapping)
	w.stream(st, 0, min((size-1)/int64(chunk)*width, st.size))
}

package ntfs

import (
	"iter"
	"sort"

	"fileassay/extract"
	"fileassay/extract/bitmap"
	"fileassay/extract/image"
	"fileassay/extract/needs"
	"fileassay/extract/partial"
)

// What stands for the place of an extent that has none.
const (
	hole      = -1 // no storage: it reads as zeros
	unlocated = -2 // nothing that was read says where it lies
)

// stream reads a metadata stream by its own offsets.
type stream struct {
	r       *image.Reader
	size    int64            // bytes
	extents []extract.Extent // sorted by Offset, disjoint; what lies between is unlocated
}

// cut is the part [from, to) of an extent, by its offsets.
func cut(e extract.Extent, from, to int64) extract.Extent {
	if e.Image >= 0 {
		e.Image += from - e.Offset
	}
	e.Offset, e.Length = from, to-from
	return e
}

// parts yields [off, off+n) of the stream in order, a hole or a part without a
// known place as one extent.
func (s *stream) parts(off, n int64) iter.Seq[extract.Extent] {
	return func(yield func(extract.Extent) bool) {
		end := off + n
		i := sort.Search(len(s.extents), func(i int) bool { return s.extents[i].Offset+s.extents[i].Length > off })
		for ; off < end; i++ {
			next := extract.Extent{Offset: end}
			if i < len(s.extents) && s.extents[i].Offset < end {
				next = s.extents[i]
			}
			if next.Offset > off && !yield(extract.Extent{Offset: off, Image: unlocated, Length: next.Offset - off}) {
				return
			}
			off = max(off, next.Offset)
			stop := min(next.Offset+next.Length, end)
			if off < stop && !yield(cut(next, off, stop)) {
				return
			}
			off = max(off, stop)
		}
	}
}

// place is where a byte of the stream lies in the image; below 0 where it has
// no place.
func (s *stream) place(off int64) int64 {
	for e := range s.parts(off, 1) {
		return e.Image
	}
	return unlocated
}

// stored are the extents of [off, off+n), joined; nil where a part of it has no
// place.
func (s *stream) stored(off, n int64) (out []extract.Extent) {
	for e := range s.parts(off, n) {
		if e.Image < 0 {
			return nil
		}
		if k := len(out) - 1; k >= 0 && out[k].Image+out[k].Length == e.Image {
			out[k].Length += e.Length
		} else {
			out = append(out, e)
		}
	}
	return out
}

// read reads [off, off+len(p)) into p.
func (s *stream) read(p []byte, off int64) partial.Bytes {
	b := partial.Bytes{Data: p}
	for e := range s.parts(off, int64(len(p))) {
		at := e.Offset - off
		if e.Image == hole {
			clear(p[at : at+e.Length])
		} else {
			s.r.PartialInto(&b, at, e.Image, e.Length)
		}
	}
	return b
}

// bitmap is the stream as a bitmap of n bits, or of as many as it has.
func (s *stream) bitmap(n int64) *bitmap.Map {
	if s.size < (n+7)/8 {
		n = 8 * s.size
	}
	return &bitmap.Map{Bits: n, Read: s.read}
}

// unread is the number of bytes of the stream that were not read or have no
// known place.
func (s *stream) unread() int64 {
	var n int64
	for e := range s.parts(0, s.size) {
		switch {
		case e.Image >= 0:
			for u := range s.r.Unread(e.Image, e.Length) {
				n += u.Length
			}
		case e.Image == unlocated:
			n += e.Length
		}
	}
	return n
}

// need asks for what is unread of [off, off+n), as far as its place is known.
func (s *stream) need(list *needs.List, off, n int64) {
	for e := range s.parts(off, n) {
		list.Add(e.Image, e.Length)
	}
}

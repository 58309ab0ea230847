package hfsplus

import (
	"slices"
	"sort"

	"fileassay/extract"
	"fileassay/extract/partial"
)

// runs say where bytes stand in the image: those of each run from its Offset
// at its Image. They are in order of Offset and disjoint.
type runs []extract.Extent

func endOf(r extract.Extent) int64 { return r.Offset + r.Length }

// clip is the part of r that lies in [from, end).
func clip(r extract.Extent, from, end int64) extract.Extent {
	from = max(from, r.Offset)
	n := max(min(end, endOf(r))-from, 0)
	if r.Image != unplaced {
		r.Image += from - r.Offset
	}
	return extract.Extent{Offset: from, Image: r.Image, Length: n}
}

// add appends r, joined with the last run where it continues that.
func (m runs) add(r extract.Extent) runs {
	if r.Length == 0 {
		return m
	}
	if k := len(m) - 1; k >= 0 && endOf(m[k]) == r.Offset && clip(m[k], r.Offset, r.Offset).Image == r.Image {
		m[k].Length += r.Length
		return m
	}
	return append(m, r)
}

// from is the index of the first run that ends behind off.
func (m runs) from(off int64) int {
	return sort.Search(len(m), func(i int) bool { return endOf(m[i]) > off })
}

// any reports whether a run has a byte of [off, off+n).
func (m runs) any(off, n int64) bool {
	i := m.from(off)
	return i < len(m) && m[i].Offset < off+n
}

// cut yields [off, off+n) cut at the runs, in order: at is where the bytes
// stand, if ok; else no run has them.
func (m runs) cut(off, n int64, yield func(off, at, n int64, ok bool)) {
	end := off + n
	for i := m.from(off); off < end; i++ {
		if i == len(m) || m[i].Offset >= end {
			yield(off, -1, end-off, false)
			return
		}
		if gap := m[i].Offset - off; gap > 0 {
			yield(off, -1, gap, false)
		}
		r := clip(m[i], off, end)
		yield(r.Offset, r.Image, r.Length, true)
		off = endOf(r)
	}
}

// fork is where the bytes of a fork lie, as far as that is known.
type fork struct {
	src      *source
	size     int64 // bytes of content, as the fork's record has it; -1 where that is unread
	runs     runs  // whole allocation blocks
	whole    bool  // its record was wholly read
	gaps     bool  // runs do not cover the fork
	why      []string
	doubtful bool // an overflow record used may be out of use
	// against is what its extents say against its size, "" for nothing. Systems give
	// back what they allocated beyond the end when a file is closed.
	against string
}

// located is the number of the bytes up to the end of the last run.
func (f *fork) located() int64 {
	if len(f.runs) == 0 {
		return 0
	}
	return endOf(f.runs[len(f.runs)-1])
}

// places yields [off, off+n) of the fork cut into pieces of one place in the
// image, with the journal in mind, in order; at is negative where the place is
// not known, or superseded by bytes that were not read.
func (f *fork) places(off, n int64, yield func(off, at, n int64)) {
	f.runs.cut(off, n, func(off, at, n int64, ok bool) {
		if !ok {
			yield(off, -1, n)
			return
		}
		shift := off - at
		f.src.places(at, n, func(o, at, n int64) { yield(o+shift, at, n) })
	})
}

// read reads the fork's bytes from off into p. Those that are not located are
// unread.
func (f *fork) read(p []byte, off int64) partial.Bytes {
	b := partial.Bytes{Data: p}
	f.places(off, int64(len(p)), func(o, at, n int64) { f.src.r.PartialInto(&b, o-off, at, n) })
	return b
}

// unread is the number of the bytes of the fork's content that were not read or
// are not located.
func (f *fork) unread() int64 {
	var sum int64
	f.places(0, f.size, func(_, at, n int64) {
		if at >= 0 {
			n = unread(f.src.r, at, n)
		}
		sum += n
	})
	return sum
}

// pieces are the pieces of the fork's content. stale says that the journal has
// newer content for a part of it, which is unread.
func (f *fork) pieces() (pieces []extract.Piece, stale bool) {
	pieces = make([]extract.Piece, 0, len(f.runs))
	for _, r := range f.runs {
		if r = clip(r, 0, f.size); f.src.newer.any(r.Image, r.Length) {
			var lost bool
			pieces, lost = f.src.newest(pieces, r)
			stale = stale || lost
		} else if r.Length > 0 {
			pieces = append(pieces, extract.Piece{Offset: r.Offset, Length: r.Length, Image: r.Image})
		}
	}
	return slices.Clip(pieces), stale
}

// newest appends the pieces of r, parts of which the journal supersedes. stale
// says that those of the journal were not all read.
func (s *source) newest(list []extract.Piece, r extract.Extent) (pieces []extract.Piece, stale bool) {
	shift := r.Offset - r.Image
	s.places(r.Image, r.Length, func(off, at, n int64) {
		if at < 0 {
			stale = true
			return
		}
		list = append(list, extract.Piece{Offset: off + shift, Length: n, Image: at})
	})
	return list, stale
}

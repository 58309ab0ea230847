package hfsplus

import (
	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/partial"
)

// source reads the image as it would be after the journal was replayed.
type source struct {
	r *image.Reader
	// newer says what stands in the journal: Offset of each run is the place in
	// the image that it belongs to, Image where it stands, or unplaced.
	newer runs
}

// unplaced is the Image of bytes that stand in the journal where nobody knows.
const unplaced = -1

// places yields [off, off+n) cut at what the journal holds, in order: off is
// where the bytes are asked for, at where they stand in the image, negative
// where they are superseded by bytes that were not read.
func (s *source) places(off, n int64, yield func(off, at, n int64)) {
	s.newer.cut(off, n, func(off, at, n int64, newer bool) {
		if !newer {
			yield(off, off, n)
			return
		}
		if at < 0 {
			yield(off, -1, n)
			return
		}
		pos, shift := at, off-at
		for u := range s.r.Unread(at, n) {
			if u.Start > pos {
				yield(pos+shift, pos, u.Start-pos)
			}
			yield(u.Start+shift, -1, u.Length)
			pos = u.End()
		}
		if pos < at+n {
			yield(pos+shift, pos, at+n-pos)
		}
	})
}

// hidden yields where the unread bytes stand that supersede parts of
// [off, off+n), as far as that is known.
func (s *source) hidden(off, n int64, yield func(at, n int64)) {
	s.newer.cut(off, n, func(_, at, n int64, newer bool) {
		if newer && at >= 0 {
			for u := range s.r.Unread(at, n) {
				yield(u.Start, u.Length)
			}
		}
	})
}

// unread is the number of the unread bytes of [off, off+n) of the image.
func unread(r *image.Reader, off, n int64) int64 {
	var sum int64
	for u := range r.Unread(off, n) {
		sum += u.Length
	}
	return sum
}

// read reads [off, off+len(p)) into p.
func (s *source) read(p []byte, off int64) partial.Bytes {
	b := partial.Bytes{Data: p}
	s.places(off, int64(len(p)), func(o, at, n int64) { s.r.PartialInto(&b, o-off, at, n) })
	return b
}

// settled are runs in the order in which they were laid, sorted and disjoint:
// of those that overlap the later one holds.
func settled(list runs) runs {
	if len(list) < 2 {
		return list
	}
	mid := len(list) / 2
	return over(settled(list[:mid]), settled(list[mid:]))
}

// over lays the runs of b over those of a.
func over(a, b runs) runs {
	out := make(runs, 0, len(a)+len(b))
	var rest extract.Extent // of the run of a that is in hand
	// put takes what of a lies before end, and drops what lies before from.
	put := func(end, from int64) {
		for {
			if rest.Length == 0 {
				if len(a) == 0 {
					return
				}
				rest, a = a[0], a[1:]
			}
			out = out.add(clip(rest, rest.Offset, end))
			if rest = clip(rest, from, endOf(rest)); rest.Length > 0 {
				return
			}
		}
	}
	for _, r := range b {
		put(r.Offset, endOf(r))
		out = out.add(r)
	}
	put(1<<62, 1<<62)
	return out
}

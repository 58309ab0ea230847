package hfsplus

import (
	"slices"
	"sort"

	"fileassay/extract/image"
)

// span is the range of bytes [a, z).
type span struct{ a, z int64 }

// patch says that the bytes [start, end) of the image are superseded: by those
// at from, or, where from is negative, by bytes that were not read: those at
// ^from, or, where it is unplaced, somewhere.
type patch struct{ start, end, from int64 }

// unplaced is the from of a patch whose bytes have no known place.
const unplaced = -1

// at is the patch's from for its bytes from pos on.
func (p *patch) at(pos int64) int64 {
	switch {
	case p.from >= 0:
		return p.from + pos - p.start
	case p.from == unplaced:
		return unplaced
	}
	return p.from - (pos - p.start)
}

// source reads the image as it would be after the journal was replayed.
type source struct {
	r       *image.Reader
	patches []patch // sorted, disjoint
}

// lay puts a patch over those before it. The patches are sorted by settle.
func (s *source) lay(p patch) {
	if p.end > p.start {
		s.patches = append(s.patches, p)
	}
}

// settle sorts the patches; of those that overlap the later laid wins.
func (s *source) settle() {
	if len(s.patches) < 2 {
		return
	}
	type edge struct {
		at    int64
		index int
		open  bool
	}
	edges := make([]edge, 0, 2*len(s.patches))
	for i, p := range s.patches {
		edges = append(edges, edge{p.start, i, true}, edge{p.end, i, false})
	}
	slices.SortFunc(edges, func(a, b edge) int {
		switch {
		case a.at != b.at:
			return sign(a.at - b.at)
		case a.index != b.index:
			return a.index - b.index
		}
		return 0
	})
	var out []patch
	var open maxHeap // indexes of patches; those closed are dropped when they surface
	closed := make([]bool, len(s.patches))
	pos := int64(0)
	for _, e := range edges {
		for len(open) > 0 && closed[open[0]] {
			open.pop()
		}
		if len(open) > 0 && e.at > pos {
			p := s.patches[open[0]]
			from := p.at(pos)
			if n := len(out); n > 0 && out[n-1].end == pos && from < 0 == (out[n-1].from < 0) && out[n-1].at(pos) == from {
				out[n-1].end = e.at
			} else {
				out = append(out, patch{pos, e.at, from})
			}
		}
		pos = e.at
		if e.open {
			open.push(e.index)
		} else {
			closed[e.index] = true
		}
	}
	s.patches = out
}

func sign(n int64) int {
	switch {
	case n < 0:
		return -1
	case n > 0:
		return 1
	}
	return 0
}

// maxHeap is a heap with the largest number first.
type maxHeap []int

func (h *maxHeap) push(v int) {
	*h = append(*h, v)
	s := *h
	for i := len(s) - 1; i > 0; {
		up := (i - 1) / 2
		if s[up] >= s[i] {
			return
		}
		s[up], s[i] = s[i], s[up]
		i = up
	}
}

func (h *maxHeap) pop() {
	s := *h
	n := len(s) - 1
	s[0] = s[n]
	s = s[:n]
	for i := 0; ; {
		c := 2*i + 1
		if c >= n {
			break
		}
		if c+1 < n && s[c+1] > s[c] {
			c++
		}
		if s[i] >= s[c] {
			break
		}
		s[i], s[c] = s[c], s[i]
		i = c
	}
	*h = s
}

// places yields [off, off+n) cut at the patches, in order: off is where the
// bytes are asked for, at where they stand in the image, negative where they
// are superseded by bytes that were not read.
func (s *source) places(off, n int64, yield func(off, at, n int64)) {
	end := off + n
	i := sort.Search(len(s.patches), func(i int) bool { return s.patches[i].end > off })
	for off < end {
		if i == len(s.patches) || s.patches[i].start >= end {
			yield(off, off, end-off)
			return
		}
		p := s.patches[i]
		if p.start > off {
			yield(off, off, p.start-off)
			off = p.start
		}
		stop := min(p.end, end)
		at := int64(-1)
		if p.from >= 0 {
			at = p.at(off)
		}
		yield(off, at, stop-off)
		off = stop
		i++
	}
}

// hidden yields where the unread bytes stand that supersede parts of
// [off, off+n), as far as that is known.
func (s *source) hidden(off, n int64, yield func(at, n int64)) {
	i := sort.Search(len(s.patches), func(i int) bool { return s.patches[i].end > off })
	for ; i < len(s.patches) && s.patches[i].start < off+n; i++ {
		if p := s.patches[i]; p.from < unplaced {
			from := max(p.start, off)
			yield(^p.at(from), min(p.end, off+n)-from)
		}
	}
}

// patched reports whether a patch touches [off, off+n).
func (s *source) patched(off, n int64) bool {
	i := sort.Search(len(s.patches), func(i int) bool { return s.patches[i].end > off })
	return i < len(s.patches) && s.patches[i].start < off+n
}

// read fills p with the bytes from off, zeros where they were not read, and
// appends the unread ranges, as offsets in p moved by shift, to unread.
func (s *source) read(p []byte, off int64, unread []span, shift int64) []span {
	if !s.patched(off, int64(len(p))) {
		return s.direct(p, off, unread, shift)
	}
	base := off
	s.places(off, int64(len(p)), func(off, at, n int64) {
		part := p[off-base : off-base+n]
		if at < 0 {
			clear(part)
			unread = addSpan(unread, span{off - base + shift, off - base + n + shift})
			return
		}
		unread = s.direct(part, at, unread, off-base+shift)
	})
	return unread
}

func (s *source) direct(p []byte, off int64, unread []span, shift int64) []span {
	for _, u := range s.r.ReadReadable(p, off) {
		unread = addSpan(unread, span{u.Start - off + shift, u.End() - off + shift})
	}
	return unread
}

// addSpan appends s, joined with the last where it continues it.
func addSpan(list []span, s span) []span {
	if n := len(list); n > 0 && list[n-1].z == s.a {
		list[n-1].z = s.z
		return list
	}
	return append(list, s)
}

// touches reports whether one of the sorted spans has a byte of [a, z).
func touches(list []span, a, z int64) bool {
	if len(list) == 0 {
		return false
	}
	i := sort.Search(len(list), func(i int) bool { return list[i].z > a })
	return i < len(list) && list[i].a < z
}

// unreadOf yields the unread bytes of [off, off+n) as a count.
func (s *source) unreadOf(off, n int64) int64 {
	var sum int64
	s.places(off, n, func(_, at, n int64) {
		if at < 0 {
			sum += n
			return
		}
		for u := range s.r.Unread(at, n) {
			sum += u.Length
		}
	})
	return sum
}

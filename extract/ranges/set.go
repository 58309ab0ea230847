package ranges

import (
	"cmp"
	"iter"
	"slices"
)

// maxEnd bounds the ends of ranges, so that sums of them do not overflow.
const maxEnd = 1 << 62

// Set is a set of bytes, kept as ranges. The zero value is the
// empty set. Adding is cheap and in any order; the set is sorted and merged
// when it is next asked something: so even asking is not safe for concurrent
// use, and nothing may be added while an answer is ranged over.
type Set struct {
	list  []Range
	dirty bool
	limit int // merge when the list grows to this
}

// Add puts the range of length bytes from start into the set. Ranges of no
// length, and what no image holds (a start below 0, an end above 1<<62), are
// ignored.
func (s *Set) Add(start, length int64) {
	if length <= 0 || start < 0 || start > maxEnd-length {
		return
	}
	end := start + length
	if n := len(s.list); n > 0 {
		last := &s.list[n-1]
		if start == last.End {
			last.End = end
			return
		}
		if start < last.End {
			s.dirty = true
		}
	}
	s.list = append(s.list, Range{start, end})
	if len(s.list) >= max(s.limit, 1<<16) && s.dirty {
		s.settle()
		s.limit = 2 * len(s.list)
	}
}

// AddAll puts every range of t into s.
func (s *Set) AddAll(t *Set) {
	if s == t {
		return
	}
	for a := range t.All() {
		s.Add(a.Start, a.End-a.Start)
	}
}

// All yields the set as sorted, disjoint, non-adjacent ranges.
func (s *Set) All() iter.Seq[Range] {
	s.settle()
	return slices.Values(s.list)
}

// Len is the number of ranges in the set.
func (s *Set) Len() int { s.settle(); return len(s.list) }

// Bytes is the number of bytes in the set.
func (s *Set) Bytes() int64 {
	var n int64
	for a := range s.All() {
		n += a.End - a.Start
	}
	return n
}

// Within yields the parts of the set that lie in [start, start+length).
func (s *Set) Within(start, length int64) iter.Seq[Range] {
	s.settle()
	return Within(s.list, start, EndOf(start, length))
}

// First is the first that Within yields; ok is false where it yields none.
func (s *Set) First(start, length int64) (r Range, ok bool) {
	s.settle()
	return First(s.list, start, EndOf(start, length))
}

// Touches reports whether a byte of [start, start+length) is in the set.
func (s *Set) Touches(start, length int64) bool {
	s.settle()
	return Touches(s.list, start, EndOf(start, length))
}

// Covered is the number of bytes of [start, start+length) that are in the set.
func (s *Set) Covered(start, length int64) int64 {
	var n int64
	for a := range s.Within(start, length) {
		n += a.End - a.Start
	}
	return n
}

// EndOf is start+length, or at most maxEnd where a start on the image has a
// length that is absurd; a length below 0 is none.
func EndOf(start, length int64) int64 {
	length = max(length, 0)
	if start >= 0 && length > maxEnd-start {
		return maxEnd
	}
	return start + length
}

func (s *Set) settle() {
	if !s.dirty {
		return
	}
	s.dirty = false
	sortByStart(s.list)
	out := s.list[:0]
	for _, a := range s.list {
		if n := len(out); n > 0 && a.Start <= out[n-1].End {
			out[n-1].End = max(out[n-1].End, a.End)
			continue
		}
		out = append(out, a)
	}
	s.list = out
}

func sortByStart(list []Range) {
	slices.SortFunc(list, func(a, b Range) int { return cmp.Compare(a.Start, b.Start) })
}

package imap

import (
	"iter"
	"sort"
)

// find is the index of the first range that ends past off.
func (m *Map) find(off int64) int {
	return sort.Search(len(m.list), func(i int) bool { return m.list[i].end() > off })
}

// Over yields [start, start+length) cut into ranges of one state, in order,
// without gaps and as long as they can be: what the map does not cover is
// Skipped. It costs O(log n + answer).
func (m *Map) Over(start, length int64) iter.Seq[Range] {
	return func(yield func(Range) bool) {
		pos, end := start, endOf(start, length)
		if pos >= end {
			return
		}
		for _, e := range m.list[m.find(start):] {
			if a := min(int64(e.start), end); a > pos {
				if !yield(Range{pos, a - pos, Skipped}) {
					return
				}
				pos = a
			}
			if pos == end {
				return
			}
			z := min(e.end(), end)
			if !yield(Range{pos, z - pos, e.state()}) {
				return
			}
			if pos = z; pos == end {
				return
			}
		}
		yield(Range{pos, end - pos, Skipped})
	}
}

// Uniform reports the one state of all bytes of [start, start+length); ok is
// false where they differ. No bytes at all are Read. It costs O(log n) and
// allocates nothing.
func (m *Map) Uniform(start, length int64) (s State, ok bool) {
	end := endOf(start, length)
	if start >= end {
		return Read, true
	}
	i := m.find(start)
	if i == len(m.list) || int64(m.list[i].start) >= end {
		return Skipped, true
	}
	if e := m.list[i]; int64(e.start) <= start && e.end() >= end {
		return e.state(), true
	}
	return 0, false
}

// Tally is a number of bytes of each [State].
type Tally [4]int64

// Total is the number of bytes of all states.
func (t Tally) Total() int64 { return t[0] + t[1] + t[2] + t[3] }

// Tally counts the bytes of each state in [start, start+length).
func (m *Map) Tally(start, length int64) Tally {
	var t Tally
	for r := range m.Over(start, length) {
		t[r.State] += r.Length
	}
	return t
}

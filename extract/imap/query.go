package imap

import "iter"

// cursor goes forward through a map.
type cursor struct {
	m *Map
	i int // of the range in hand
}

// at is the state at off, which is not before the last one asked for, and how
// far from there it holds, end at most.
func (c *cursor) at(off, end int64) (State, int64) {
	for ; c.i < c.m.Len(); c.i++ {
		r, s := c.m.list.Entry(c.i)
		switch {
		case r.Start > off:
			return Skipped, min(r.Start, end)
		case r.End > off:
			return s, min(r.End, end)
		}
	}
	return Skipped, end
}

// Over yields [start, start+length) cut into ranges of one state, in order,
// without gaps and as long as they can be: what the map does not cover is
// Skipped. It costs O(log n + answer).
func (m *Map) Over(start, length int64) iter.Seq[Range] {
	return func(yield func(Range) bool) {
		pos, end := start, endOf(start, length)
		for i := m.list.Find(pos); pos < end && i < m.Len(); i++ {
			r, s := m.list.Entry(i)
			if a := min(r.Start, end); a > pos {
				if !yield(Range{pos, a - pos, Skipped}) {
					return
				}
				pos = a
			}
			if z := min(r.End, end); z > pos {
				if !yield(Range{pos, z - pos, s}) {
					return
				}
				pos = z
			}
		}
		if pos < end {
			yield(Range{pos, end - pos, Skipped})
		}
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
	s, is, until := m.list.At(start)
	if !is {
		s = Skipped
	}
	return s, until >= end
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

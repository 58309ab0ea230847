// Package heads is the head map of a drive: which byte ranges each of its
// heads serves. With it a result says what each head gave, and which heads a
// damaged file waits for.
//
// A drive has one head a platter side: one of two platters has up to four
// (common practice, no source).
package heads

import (
	"cmp"
	"fmt"
	"iter"
	"slices"
	"sort"
)

// MaxHead is the largest number of a head.
const MaxHead = 255

// Range is Length bytes of the drive from Start that one head serves.
type Range struct {
	Start, Length int64
	Head          int // from 0 to MaxHead
}

// End is the first byte past the range.
func (r Range) End() int64 { return r.Start + r.Length }

// maxOffset bounds byte offsets so that an end and a head fit in 64 bits.
const maxOffset = 1<<54 - 1

// entry is a range in 16 bytes: the end carries the head in its low byte.
type entry struct {
	start int64
	tail  uint64 // end<<8 | head
}

func newEntry(r Range) entry { return entry{r.Start, uint64(r.End())<<8 | uint64(r.Head)} }
func (e entry) end() int64   { return int64(e.tail >> 8) }
func (e entry) head() int    { return int(e.tail & 0xff) }
func (e entry) rng() Range   { return Range{e.start, e.end() - e.start, e.head()} }

// Map is a head map: sorted, disjoint ranges. What none covers is served by a
// head that is not known. The zero value names none. A map is immutable once
// made and safe for concurrent use; it holds 16 bytes a range.
type Map struct {
	list []entry
	used [MaxHead + 1]bool // heads that serve some range
}

// New makes a map of ranges in any order; those of no length say nothing.
// Overlapping ranges are an [*OverlapError].
func New(ranges []Range) (*Map, error) {
	m := &Map{}
	for _, r := range ranges {
		if r.Start < 0 || r.Length < 0 || r.Start > maxOffset-r.Length {
			return nil, fmt.Errorf("head map: range of %d bytes from %d is not on any drive", r.Length, r.Start)
		}
		if r.Head < 0 || r.Head > MaxHead {
			return nil, fmt.Errorf("head map: range of %d bytes from %d has head %d: heads are numbered from 0 to %d", r.Length, r.Start, r.Head, MaxHead)
		}
		m.append(r)
	}
	return m, m.settle()
}

// OverlapError tells that two ranges of a head map share bytes. A starts no
// later than B. Where ranges were joined with neighbours of their head, so
// they stand here.
type OverlapError struct{ A, B Range }

func (e *OverlapError) Error() string {
	return fmt.Sprintf("ranges overlap: %d bytes from %d (head %d) and %d bytes from %d (head %d)",
		e.A.Length, e.A.Start, e.A.Head, e.B.Length, e.B.Start, e.B.Head)
}

// append adds r to a map in the making, joined with the last range where it
// continues it.
func (m *Map) append(r Range) {
	if r.Length <= 0 {
		return
	}
	m.used[r.Head] = true
	if n := len(m.list); n > 0 {
		last := &m.list[n-1]
		if last.end() == r.Start && last.head() == r.Head {
			last.tail = newEntry(r).tail
			return
		}
	}
	m.list = append(m.list, newEntry(r))
}

// settle brings what was appended in any order into order.
func (m *Map) settle() error {
	compare := func(a, b entry) int {
		return cmp.Or(cmp.Compare(a.start, b.start), cmp.Compare(a.tail, b.tail))
	}
	if !slices.IsSortedFunc(m.list, compare) {
		slices.SortFunc(m.list, compare)
	}
	for i := 1; i < len(m.list); i++ {
		if a, b := m.list[i-1], m.list[i]; b.start < a.end() {
			return &OverlapError{a.rng(), b.rng()}
		}
	}
	m.list = slices.Clip(m.list)
	return nil
}

// Len is the number of ranges.
func (m *Map) Len() int { return len(m.list) }

// End is the first byte past the last range.
func (m *Map) End() int64 {
	if len(m.list) == 0 {
		return 0
	}
	return m.list[len(m.list)-1].end()
}

// Heads are the heads that serve some range, in order.
func (m *Map) Heads() []int {
	var out []int
	for h, used := range m.used {
		if used {
			out = append(out, h)
		}
	}
	return out
}

// Ranges yields the ranges in order of place.
func (m *Map) Ranges() iter.Seq[Range] {
	return func(yield func(Range) bool) {
		for _, e := range m.list {
			if !yield(e.rng()) {
				return
			}
		}
	}
}

// Over yields the parts of [start, start+length) that a known head serves, in
// order. It costs O(log n + answer).
func (m *Map) Over(start, length int64) iter.Seq[Range] {
	return func(yield func(Range) bool) {
		if length <= 0 || start > maxOffset {
			return
		}
		end := start + min(length, maxOffset-max(start, 0))
		i := sort.Search(len(m.list), func(i int) bool { return m.list[i].end() > start })
		for ; i < len(m.list) && m.list[i].start < end; i++ {
			e := m.list[i]
			a, z := max(e.start, start), min(e.end(), end)
			if !yield(Range{a, z - a, e.head()}) {
				return
			}
		}
	}
}

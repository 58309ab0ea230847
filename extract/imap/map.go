// Package imap is the imaging map: which byte ranges of a drive were read, and
// which were not.
//
// A map is a list of sorted, disjoint ranges of one state each. What no range
// covers is [Skipped]: it was not tried. [Load] reads the project's own plain
// form; see the README for it.
package imap

import (
	"cmp"
	"fmt"
	"iter"
	"math"
	"slices"
)

// Range is Length bytes of the drive from Start, all of one state.
type Range struct {
	Start, Length int64
	State         State
}

// End is the first byte past the range.
func (r Range) End() int64 { return r.Start + r.Length }

// maxOffset bounds byte offsets so that an end and a state fit in 64 bits.
const maxOffset = 1<<61 - 1

// entry is a range in 16 bytes: the end carries the state in its two low bits.
type entry struct {
	start uint64
	tail  uint64 // end<<2 | state
}

func newEntry(r Range) entry {
	return entry{uint64(r.Start), uint64(r.End())<<2 | uint64(r.State&3)}
}

func (e entry) end() int64   { return int64(e.tail >> 2) }
func (e entry) state() State { return State(e.tail & 3) }
func (e entry) rng() Range {
	return Range{int64(e.start), e.end() - int64(e.start), e.state()}
}

// Map is an imaging map. The zero value says that nothing was read yet. A map
// is immutable once made and safe for concurrent use.
//
// A map holds at most 16 bytes a range and has one form for one meaning:
// neighbours of one state are joined, and what was given as skipped is left
// out like what was not given at all.
type Map struct {
	list []entry // sorted, disjoint, joined, none Skipped
	end  int64   // past the last range given, skipped ones too
}

// New makes a map of ranges in any order; those of no length say nothing.
// Overlapping ranges are an [*OverlapError].
func New(ranges []Range) (*Map, error) {
	m := &Map{list: make([]entry, 0, len(ranges))}
	for _, r := range ranges {
		if r.Start < 0 || r.Length < 0 || r.Start > maxOffset-r.Length {
			return nil, fmt.Errorf("imaging map: range of %d bytes from %d is not on any drive", r.Length, r.Start)
		}
		if r.State > Failed {
			return nil, fmt.Errorf("imaging map: range of %d bytes from %d has the unknown %v", r.Length, r.Start, r.State)
		}
		m.append(r)
	}
	if err := m.settle(); err != nil {
		return nil, err
	}
	return m, nil
}

// All is the map that claims that every byte of a drive of size bytes was read.
func All(size int64) *Map {
	m := &Map{}
	m.emit(Range{0, min(size, maxOffset), Read})
	return m
}

// OverlapError tells that two ranges of a map share bytes. A starts no later
// than B. Where ranges were joined with neighbours of their state, so they
// stand here.
type OverlapError struct{ A, B Range }

func (e *OverlapError) Error() string {
	return fmt.Sprintf("ranges overlap: %d bytes from %d (%s) and %d bytes from %d (%s)",
		e.A.Length, e.A.Start, e.A.State, e.B.Length, e.B.Start, e.B.State)
}

// append adds r to a map in the making, joined with the last range where it
// continues it. Skipped ranges stay until settle has seen that they overlap
// nothing.
func (m *Map) append(r Range) {
	if r.Length <= 0 {
		return
	}
	if n := len(m.list); n > 0 {
		last := &m.list[n-1]
		if last.end() == r.Start && last.state() == r.State {
			last.tail = newEntry(r).tail
			return
		}
	}
	m.list = append(m.list, newEntry(r))
}

// emit adds r at the end of a map made in order.
func (m *Map) emit(r Range) {
	if r.Length <= 0 {
		return
	}
	if r.State != Skipped {
		m.append(r)
	}
	m.end = r.End()
}

// sort brings what was appended in any order into that of place, and refuses
// what overlaps.
func (m *Map) sort() error {
	compare := func(a, b entry) int {
		if c := cmp.Compare(a.start, b.start); c != 0 {
			return c
		}
		return cmp.Compare(a.tail, b.tail)
	}
	if !slices.IsSortedFunc(m.list, compare) {
		slices.SortFunc(m.list, compare)
	}
	var last entry // with the neighbours of its state
	for _, e := range m.list {
		if int64(e.start) < last.end() {
			return &OverlapError{last.rng(), e.rng()}
		}
		if int64(e.start) == last.end() && e.state() == last.state() && last.tail != 0 {
			last.tail = e.tail
		} else {
			last = e
		}
	}
	return nil
}

// settle brings what was appended in any order into a map's form, in place.
func (m *Map) settle() error {
	if err := m.sort(); err != nil {
		return err
	}
	out := m.list[:0]
	var last entry // may be Skipped, and then is not in out
	for _, e := range m.list {
		joins := int64(e.start) == last.end() && e.state() == last.state() && last.tail != 0
		switch {
		case joins:
			last.tail = e.tail
			if e.state() != Skipped {
				out[len(out)-1].tail = e.tail
			}
		default:
			last = e
			if e.state() != Skipped {
				out = append(out, e)
			}
		}
	}
	m.list, m.end = out, last.end()
	return nil
}

// Len is the number of ranges that [Map.Ranges] yields.
func (m *Map) Len() int { return len(m.list) }

// End is the first byte past the last range that was given, a skipped one too.
func (m *Map) End() int64 { return m.end }

// Ranges yields what was tried, in order: ranges of one state, never Skipped,
// as long as they can be.
func (m *Map) Ranges() iter.Seq[Range] {
	return func(yield func(Range) bool) {
		for _, e := range m.list {
			if !yield(e.rng()) {
				return
			}
		}
	}
}

// endOf is start+length, or the last offset there is where that overflows.
func endOf(start, length int64) int64 {
	if length > 0 && start > math.MaxInt64-length {
		return math.MaxInt64
	}
	return start + length
}

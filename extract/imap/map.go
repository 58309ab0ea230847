// Package imap is the imaging map: which byte ranges of a drive were read, and
// which were not.
//
// A map is a list of sorted, disjoint ranges of one state each. What no range
// covers is [Skipped]: it was not tried. [Load] reads the project's own plain
// form; see the README for it.
package imap

import (
	"fmt"
	"iter"
	"math"

	"fileassay/extract/ranges"
)

// Range is Length bytes of the drive from Start, all of one state.
type Range struct {
	Start, Length int64
	State         State
}

// End is the first byte past the range.
func (r Range) End() int64 { return r.Start + r.Length }

// maxOffset bounds what a map may say: no drive has 36 PB.
const maxOffset = ranges.MaxOffset

// Map is an imaging map. The zero value says that nothing was read yet. A map
// is immutable once made and safe for concurrent use.
//
// A map holds at most 17 bytes a range and has one form for one meaning:
// neighbours of one state are joined, and what was given as skipped is left
// out like what was not given at all.
type Map struct {
	list ranges.Map[State] // none Skipped
	end  int64             // past the last range given, skipped ones too
}

// OverlapError tells that two ranges of a map share bytes.
type OverlapError = ranges.OverlapError[State]

// New makes a map of ranges in any order; those of no length say nothing.
// Overlapping ranges are an [*OverlapError].
func New(list []Range) (*Map, error) {
	m := &Map{}
	m.list.Grow(len(list))
	for _, r := range list {
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
	m.emit(Range{0, size, Read})
	return m
}

// append adds r to a map in the making, in any order. Skipped ranges stay
// until settle has seen that they overlap nothing.
func (m *Map) append(r Range) { m.list.Append(ranges.Range{Start: r.Start, End: r.End()}, r.State) }

// emit adds r at the end of a map made in order.
func (m *Map) emit(r Range) {
	if r.Length <= 0 {
		return
	}
	if r.State != Skipped {
		m.append(r)
	}
	m.end = min(r.End(), maxOffset)
}

// settle brings what was appended into a map's form.
func (m *Map) settle() error {
	if err := m.list.Settle(); err != nil {
		return err
	}
	m.end = m.list.End()
	m.list.Drop(Skipped)
	return nil
}

// Len is the number of ranges that [Map.Ranges] yields.
func (m *Map) Len() int { return m.list.Len() }

// End is the first byte past the last range that was given, a skipped one too.
func (m *Map) End() int64 { return m.end }

// Ranges yields what was tried, in order: ranges of one state, never Skipped,
// as long as they can be.
func (m *Map) Ranges() iter.Seq[Range] {
	return func(yield func(Range) bool) {
		for r, s := range m.list.All() {
			if !yield(Range{r.Start, r.Len(), s}) {
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

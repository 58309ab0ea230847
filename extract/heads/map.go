// Package heads is the head map of a drive: which byte ranges each of its
// heads serves. With it a result says what each head gave, and which heads a
// damaged file waits for.
//
// A drive has one head a platter side: one of two platters has up to four
// (common practice, no source).
package heads

import (
	"fmt"
	"iter"

	"fileassay/extract/ranges"
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

// maxOffset bounds what a map may say: no drive has 36 PB.
const maxOffset = ranges.MaxOffset

// Map is a head map: sorted, disjoint ranges. What none covers is served by a
// head that is not known. The zero value names none. A map is immutable once
// made and safe for concurrent use; it holds 17 bytes a range.
type Map struct{ list ranges.Map[head] }

// head is the number of one.
type head uint8

func (h head) String() string { return fmt.Sprintf("head %d", uint8(h)) }

// OverlapError tells that two ranges of a head map share bytes.
type OverlapError = ranges.OverlapError[head]

// New makes a map of ranges in any order; those of no length say nothing.
// Overlapping ranges are an [*OverlapError].
func New(list []Range) (*Map, error) {
	m := &Map{}
	for _, r := range list {
		if r.Start < 0 || r.Length < 0 || r.Start > maxOffset-r.Length {
			return nil, fmt.Errorf("head map: range of %d bytes from %d is not on any drive", r.Length, r.Start)
		}
		if r.Head < 0 || r.Head > MaxHead {
			return nil, fmt.Errorf("head map: range of %d bytes from %d has head %d: heads are numbered from 0 to %d", r.Length, r.Start, r.Head, MaxHead)
		}
		m.append(r)
	}
	return m, m.list.Settle()
}

// append adds r to a map in the making.
func (m *Map) append(r Range) {
	m.list.Append(ranges.Range{Start: r.Start, End: r.End()}, head(r.Head))
}

// Len is the number of ranges.
func (m *Map) Len() int { return m.list.Len() }

// End is the first byte past the last range.
func (m *Map) End() int64 { return m.list.End() }

// Heads are the heads that serve some range, in order.
func (m *Map) Heads() []int {
	var used [MaxHead + 1]bool
	for _, n := range m.list.All() {
		used[n] = true
	}
	var out []int
	for h, is := range used {
		if is {
			out = append(out, h)
		}
	}
	return out
}

// Ranges yields the ranges in order of place.
func (m *Map) Ranges() iter.Seq[Range] { return m.Over(0, maxOffset) }

// Over yields the parts of [start, start+length) that a known head serves, in
// order. It costs O(log n + answer).
func (m *Map) Over(start, length int64) iter.Seq[Range] {
	return func(yield func(Range) bool) {
		for r, n := range m.list.Over(start, ranges.EndOf(start, length)) {
			if !yield(Range{r.Start, r.Len(), int(n)}) {
				return
			}
		}
	}
}

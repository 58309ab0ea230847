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
	"slices"
	"sort"
)

// State says what came of reading a range of the drive.
type State uint8

// The read states, from best to worst.
const (
	Read     State = iota // read, and the drive vouched for it
	Doubtful              // data came back, but the drive did not vouch for it
	Skipped               // not tried yet
	Failed                // tried, and the drive gave an error
)

// stateNames are the words of maps and results.
var stateNames = [...]string{Read: "read", Doubtful: "doubtful", Skipped: "skipped", Failed: "failed"}

// String is the word for the state in maps and results.
func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return fmt.Sprintf("state %d", uint8(s))
}

// ParseState is the inverse of String; ok is false for any other word.
func ParseState(word string) (s State, ok bool) {
	i := slices.Index(stateNames[:], word)
	return State(max(i, 0)), i >= 0
}

// Range is Length bytes of the drive from Start, all of one state.
type Range struct {
	Start, Length int64
	State         State
}

// End is the first byte past the range.
func (r Range) End() int64 { return r.Start + r.Length }

// entry is a range in 16 bytes: the end carries the state in its two low bits.
type entry struct {
	start uint64
	tail  uint64 // end<<2 | state
}

func (e entry) end() int64   { return int64(e.tail >> 2) }
func (e entry) state() State { return State(e.tail & 3) }

// Map is an imaging map. It is immutable once made and safe for concurrent use.
type Map struct {
	list []entry // sorted, disjoint, neighbours of one state joined
}

// New makes a map of ranges in any order. Overlapping ranges are an
// [OverlapError].
func New(ranges []Range) (*Map, error) {
	m := &Map{list: make([]entry, 0, len(ranges))}
	for _, r := range ranges {
		if r.Start < 0 || r.Length < 0 || r.Start > maxOffset-r.Length {
			return nil, fmt.Errorf("imaging map: range of %d bytes from %d is not on any drive", r.Length, r.Start)
		}
		m.append(r)
	}
	if err := m.settle(); err != nil {
		return nil, err
	}
	return m, nil
}

// maxOffset bounds byte offsets so that an end and a state fit in 64 bits.
const maxOffset = 1<<61 - 1

// All is the map that claims that every byte of a drive of size bytes was read.
func All(size int64) *Map {
	m, _ := New([]Range{{0, size, Read}})
	return m
}

// OverlapError tells that two ranges of a map share bytes.
type OverlapError struct{ A, B Range }

func (e *OverlapError) Error() string {
	return fmt.Sprintf("ranges overlap: %d bytes from %d (%s) and %d bytes from %d (%s)",
		e.A.Length, e.A.Start, e.A.State, e.B.Length, e.B.Start, e.B.State)
}

// append adds r, joined with the last range where it continues it.
func (m *Map) append(r Range) {
	if r.Length == 0 {
		return
	}
	if n := len(m.list); n > 0 {
		last := &m.list[n-1]
		if last.end() == r.Start && last.state() == r.State {
			last.tail = uint64(r.End())<<2 | uint64(r.State)
			return
		}
	}
	m.list = append(m.list, entry{uint64(r.Start), uint64(r.End())<<2 | uint64(r.State)})
}

// settle sorts the ranges, joins neighbours and finds overlaps.
func (m *Map) settle() error {
	byStart := func(a, b entry) int {
		switch {
		case a.start < b.start:
			return -1
		case a.start > b.start:
			return 1
		}
		return 0
	}
	if !slices.IsSortedFunc(m.list, byStart) {
		slices.SortFunc(m.list, byStart)
	}
	out := m.list[:0]
	for _, e := range m.list {
		if n := len(out); n > 0 {
			last := &out[n-1]
			if int64(e.start) < last.end() {
				return &OverlapError{last.rng(), e.rng()}
			}
			if int64(e.start) == last.end() && e.state() == last.state() {
				last.tail = e.tail
				continue
			}
		}
		out = append(out, e)
	}
	m.list = out
	return nil
}

func (e entry) rng() Range {
	return Range{int64(e.start), e.end() - int64(e.start), e.state()}
}

// Len is the number of ranges, neighbours of one state counted once.
func (m *Map) Len() int { return len(m.list) }

// End is the first byte past the last range.
func (m *Map) End() int64 {
	if len(m.list) == 0 {
		return 0
	}
	return m.list[len(m.list)-1].end()
}

// Ranges yields the ranges as they stand, in order, gaps left out.
func (m *Map) Ranges() iter.Seq[Range] {
	return func(yield func(Range) bool) {
		for _, e := range m.list {
			if !yield(e.rng()) {
				return
			}
		}
	}
}

// Over yields [start, start+length) cut into ranges of one state, in order and
// without gaps: what the map does not cover is Skipped. It costs O(log n +
// answer).
func (m *Map) Over(start, length int64) iter.Seq[Range] {
	return func(yield func(Range) bool) {
		if length <= 0 {
			return
		}
		end := start + length
		i := sort.Search(len(m.list), func(i int) bool { return m.list[i].end() > start })
		pos := start
		for ; pos < end && i < len(m.list); i++ {
			e := m.list[i]
			if a := int64(e.start); a > pos {
				gap := min(a, end)
				if !yield(Range{pos, gap - pos, Skipped}) {
					return
				}
				pos = gap
				if pos >= end {
					return
				}
			}
			stop := min(e.end(), end)
			if !yield(Range{pos, stop - pos, e.state()}) {
				return
			}
			pos = stop
		}
		if pos < end {
			yield(Range{pos, end - pos, Skipped})
		}
	}
}

// Tally is a number of bytes of each state.
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

// Uniform reports the one state of all bytes of [start, start+length); ok is
// false where they differ. It costs O(log n).
func (m *Map) Uniform(start, length int64) (s State, ok bool) {
	end := start + length
	i := sort.Search(len(m.list), func(i int) bool { return m.list[i].end() > start })
	if i == len(m.list) {
		return Skipped, true
	}
	e := m.list[i]
	if int64(e.start) <= start && e.end() >= end {
		return e.state(), true
	}
	if int64(e.start) >= end {
		return Skipped, true
	}
	return 0, false
}

// Outward is the map with every range that is not Read widened to whole
// sectors of the given size, since a drive gives a sector or does not. Where
// widened ranges meet in a sector, the worst state wins.
func (m *Map) Outward(sector int64) *Map {
	aligned := true
	for _, e := range m.list {
		if int64(e.start)%sector != 0 || e.end()%sector != 0 {
			aligned = false
			break
		}
	}
	if aligned || sector <= 1 {
		return m
	}
	out := &Map{}
	pos := int64(0)
	end := (m.End() + sector - 1) / sector * sector
	for pos < end {
		// whole sectors of one state go at once
		if i := sort.Search(len(m.list), func(i int) bool { return m.list[i].end() > pos }); i < len(m.list) {
			e := m.list[i]
			if int64(e.start) <= pos {
				if whole := e.end() / sector * sector; whole > pos {
					out.append(Range{pos, whole - pos, e.state()})
					pos = whole
					continue
				}
			} else if whole := int64(e.start) / sector * sector; whole > pos {
				out.append(Range{pos, whole - pos, Skipped})
				pos = whole
				continue
			}
		}
		worst := Read
		for r := range m.Over(pos, sector) {
			worst = max(worst, r.State)
		}
		out.append(Range{pos, sector, worst})
		pos += sector
	}
	return out
}

// TrustDoubtful is the map with Doubtful ranges taken as Read.
func (m *Map) TrustDoubtful() *Map {
	out := &Map{list: make([]entry, 0, len(m.list))}
	for _, e := range m.list {
		r := e.rng()
		if r.State == Doubtful {
			r.State = Read
		}
		out.append(r)
	}
	return out
}

// With is the map with the given ranges laid over it: where they overlap what
// stood there, the worse state holds.
func (m *Map) With(over []Range) *Map {
	over = slices.Clone(over)
	slices.SortFunc(over, func(a, b Range) int { return int(min(max(a.Start-b.Start, -1), 1)) })
	out := &Map{list: make([]entry, 0, len(m.list)+2*len(over))}
	end := m.End()
	for _, o := range over {
		end = max(end, o.End())
	}
	pos := int64(0)
	for _, o := range over {
		if o.Start > pos {
			m.copyTo(out, pos, o.Start)
			pos = o.Start
		}
		for r := range m.Over(pos, o.End()-pos) {
			r.State = max(r.State, o.State)
			out.append(r)
		}
		pos = max(pos, o.End())
	}
	m.copyTo(out, pos, end)
	return out
}

// copyTo appends the map's own ranges within [start, end) to out.
func (m *Map) copyTo(out *Map, start, end int64) {
	i := sort.Search(len(m.list), func(i int) bool { return m.list[i].end() > start })
	for ; i < len(m.list) && int64(m.list[i].start) < end; i++ {
		r := m.list[i].rng()
		a, z := max(r.Start, start), min(r.End(), end)
		out.append(Range{a, z - a, r.State})
	}
}

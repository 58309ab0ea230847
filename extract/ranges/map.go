package ranges

import (
	"cmp"
	"fmt"
	"iter"
	"math"
	"slices"
	"sort"
)

// MaxOffset is where the last range of a [Map] may end: 36 PB. An end and a
// value share 64 bits.
const MaxOffset = 1 << 55

// Map gives bytes a value each. It is a list of sorted, disjoint ranges, as
// long as they can be; what none of them covers has no value. The zero value
// covers nothing.
//
// A map is made by [Map.Append] and, after the last range, [Map.Settle]. From
// then on it does not change, and is safe for concurrent use. It holds 17 bytes
// a range.
type Map[V ~uint8] struct {
	list  []entry
	tops  []int64 // where each block of blockSize entries ends, but the last
	loose bool    // some range was not appended in order of place
}

// blockSize is how many entries are looked up as one at first, so that what a
// search goes through stays in the processor's near memory.
const blockSize = 32

// Entry is a range of a map with its value.
type Entry[V ~uint8] struct {
	Range
	Value V
}

// entry is a range in 16 bytes: the end carries the value in its low byte.
type entry struct {
	start int64
	tail  uint64 // end<<8 | value
}

func (e entry) end() int64   { return int64(e.tail >> 8) }
func (e entry) value() uint8 { return uint8(e.tail) }
func (e entry) rng() Range   { return Range{e.start, e.end()} }

// continues reports whether e begins where last ends, and has its value.
func (e entry) continues(last entry) bool {
	return e.start == last.end() && e.value() == last.value()
}

// OverlapError tells that two ranges of a map share bytes. A starts no later
// than B. Where ranges were joined with neighbours of their value, so they
// stand here.
type OverlapError[V ~uint8] struct{ A, B Entry[V] }

func (e *OverlapError[V]) Error() string {
	return fmt.Sprintf("ranges overlap: %d bytes from %d (%v) and %d bytes from %d (%v)",
		e.A.Len(), e.A.Start, e.A.Value, e.B.Len(), e.B.Start, e.B.Value)
}

// Append adds r to a map in the making, joined with the last range where it
// continues that. What lies before 0 or past [MaxOffset] is left out.
func (m *Map[V]) Append(r Range, v V) {
	r.Start, r.End = max(r.Start, 0), min(r.End, MaxOffset)
	if r.Start >= r.End {
		return
	}
	e := entry{r.Start, uint64(r.End)<<8 | uint64(v)}
	if n := len(m.list); n > 0 {
		last := &m.list[n-1]
		if e.continues(*last) {
			last.tail = e.tail
			return
		}
		m.loose = m.loose || e.start < last.end()
		if n%blockSize == 0 {
			m.tops = append(m.tops, last.end())
		}
	}
	m.list = append(m.list, e)
}

// index makes tops anew.
func (m *Map[V]) index() {
	m.tops = m.tops[:0]
	for i := blockSize; i < len(m.list); i += blockSize {
		m.tops = append(m.tops, m.list[i-1].end())
	}
}

// Settle ends the making of a map: it brings what was appended in any order
// into that of place. Where two ranges overlap it returns an
// [*OverlapError], and the map is of no use.
func (m *Map[V]) Settle() error {
	if !m.loose {
		return nil
	}
	slices.SortFunc(m.list, func(a, b entry) int {
		if c := cmp.Compare(a.start, b.start); c != 0 {
			return c
		}
		return cmp.Compare(a.tail, b.tail)
	})
	out := m.list[:0]
	for _, e := range m.list {
		if n := len(out); n > 0 {
			last := &out[n-1]
			if e.start < last.end() {
				return &OverlapError[V]{Entry[V]{last.rng(), V(last.value())}, Entry[V]{e.rng(), V(e.value())}}
			}
			if e.continues(*last) {
				last.tail = e.tail
				continue
			}
		}
		out = append(out, e)
	}
	m.list, m.loose = out, false
	m.index()
	return nil
}

// Drop takes what has the value v out of a settled map, before anything else
// uses the map.
func (m *Map[V]) Drop(v V) {
	m.list = slices.DeleteFunc(m.list, func(e entry) bool { return e.value() == uint8(v) })
	m.index()
}

// Cap is the number of ranges that the map has room for.
func (m *Map[V]) Cap() int { return cap(m.list) }

// Grow makes room for n ranges in all.
func (m *Map[V]) Grow(n int) {
	if n > cap(m.list) {
		m.list = append(make([]entry, 0, n), m.list...)
		m.tops = append(make([]int64, 0, n/blockSize), m.tops...)
	}
}

// Len is the number of ranges.
func (m *Map[V]) Len() int { return len(m.list) }

// End is the first byte past the last range.
func (m *Map[V]) End() int64 {
	if len(m.list) == 0 {
		return 0
	}
	return m.list[len(m.list)-1].end()
}

// Find is the index of the first range that ends past off; [Map.Len] where
// none does. It costs O(log n).
func (m *Map[V]) Find(off int64) int {
	first := blockSize * sort.Search(len(m.tops), func(i int) bool { return m.tops[i] > off })
	block := m.list[first:min(first+blockSize, len(m.list))]
	return first + sort.Search(len(block), func(i int) bool { return block[i].end() > off })
}

// Entry is the range of an index, from 0 and in order of place, and its value.
func (m *Map[V]) Entry(i int) (Range, V) { return m.list[i].rng(), V(m.list[i].value()) }

// All yields the ranges in order.
func (m *Map[V]) All() iter.Seq2[Range, V] { return m.Over(0, MaxOffset) }

// Over yields what the map covers of [start, end), in order. It costs
// O(log n + answer).
func (m *Map[V]) Over(start, end int64) iter.Seq2[Range, V] {
	return func(yield func(Range, V) bool) {
		if start >= end {
			return
		}
		for _, e := range m.list[m.Find(start):] {
			if e.start >= end || !yield(Range{max(e.start, start), min(e.end(), end)}, V(e.value())) {
				return
			}
		}
	}
}

// At is the value of the byte at off, if it has one, and the end of the bytes
// from there on of which the same is true: the largest number where that is so
// for all. It costs O(log n) and allocates nothing.
func (m *Map[V]) At(off int64) (v V, ok bool, end int64) {
	i := m.Find(off)
	switch {
	case i == len(m.list):
		return 0, false, math.MaxInt64
	case m.list[i].start > off:
		return 0, false, m.list[i].start
	}
	return V(m.list[i].value()), true, m.list[i].end()
}

// Cut is the map of what lies before end. It keeps its ranges where m does, if
// it can.
func (m *Map[V]) Cut(end int64) Map[V] {
	n := m.Find(end)
	blocks := max(n-1, 0) / blockSize
	out := Map[V]{list: m.list[:n:n], tops: m.tops[:blocks:blocks]}
	if n < len(m.list) && m.list[n].start < end {
		out.Grow(n + 1)
		out.Append(Range{m.list[n].start, end}, V(m.list[n].value()))
	}
	return out
}

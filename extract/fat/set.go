package fat

import (
	"iter"
	"math/bits"
)

// set is a set of clusters. Its memory grows with the parts of the volume that
// are in use, not with the volume. The zero value is the empty set.
//
// It does what no list of ranges can (claims.Register, ranges.Set): while a
// chain is followed it is asked of each cluster whether something has it already,
// and the clusters of a chain may come in any order, a million of them in as
// many ranges. Here that takes a step and a bit for each.
type set struct {
	pages []*[pageWords]uint64
}

const (
	pageShift = 16 // clusters of a page, as a power of two
	pageWords = 1 << (pageShift - 6)
)

// has reports whether c is in the set.
func (s *set) has(c uint32) bool {
	i := c >> pageShift
	if int(i) >= len(s.pages) || s.pages[i] == nil {
		return false
	}
	return s.pages[i][c>>6&(pageWords-1)]>>(c&63)&1 != 0
}

// add puts c into the set and reports whether it was new.
func (s *set) add(c uint32) bool {
	w := &s.page(c)[c>>6&(pageWords-1)]
	bit := uint64(1) << (c & 63)
	if *w&bit != 0 {
		return false
	}
	*w |= bit
	return true
}

func (s *set) page(c uint32) *[pageWords]uint64 {
	i := int(c >> pageShift)
	for len(s.pages) <= i {
		s.pages = append(s.pages, nil)
	}
	if s.pages[i] == nil {
		s.pages[i] = new([pageWords]uint64)
	}
	return s.pages[i]
}

// addRun puts n clusters from first into the set and those of them that were
// in it before into again. It works by words of 64 clusters.
func (s *set) addRun(first uint32, n int64, again *set) {
	for n > 0 {
		bit := first & 63
		k := min(n, int64(64-bit))
		mask := ^uint64(0) >> (64 - uint(k)) << bit
		w := &s.page(first)[first>>6&(pageWords-1)]
		if old := *w & mask; old != 0 {
			again.page(first)[first>>6&(pageWords-1)] |= old
		}
		*w |= mask
		n -= k
		first += uint32(k)
	}
}

// firstIn is the first cluster of [first, first+n) that is in the set.
func (s *set) firstIn(first uint32, n int64) (c uint32, ok bool) {
	for n > 0 {
		bit := first & 63
		k := min(n, int64(64-bit))
		i := int(first >> pageShift)
		if i >= len(s.pages) {
			return 0, false
		}
		if s.pages[i] == nil {
			skip := int64(1<<pageShift - first&(1<<pageShift-1))
			n -= skip
			first += uint32(skip)
			continue
		}
		mask := ^uint64(0) >> (64 - uint(k)) << bit
		if hit := s.pages[i][first>>6&(pageWords-1)] & mask; hit != 0 {
			return first&^63 + uint32(bits.TrailingZeros64(hit)), true
		}
		n -= k
		first += uint32(k)
	}
	return 0, false
}

// all yields the clusters of the set in order.
func (s *set) all() iter.Seq[uint32] {
	return func(yield func(uint32) bool) {
		for i, p := range s.pages {
			if p == nil {
				continue
			}
			for w, word := range p {
				for ; word != 0; word &= word - 1 {
					if !yield(uint32(i)<<pageShift + uint32(w)<<6 + uint32(bits.TrailingZeros64(word))) {
						return
					}
				}
			}
		}
	}
}

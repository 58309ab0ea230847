package ranges

import (
	"iter"
	"sort"
)

// Range is the bytes [Start, End).
type Range struct{ Start, End int64 }

// Len is the number of bytes.
func (r Range) Len() int64 { return r.End - r.Start }

// Append puts r behind the ranges of a list, joined with the last where it
// continues it. An empty range changes nothing.
func Append(list []Range, r Range) []Range {
	if r.Start >= r.End {
		return list
	}
	if n := len(list); n > 0 && list[n-1].End == r.Start {
		list[n-1].End = r.End
		return list
	}
	return append(list, r)
}

// Within yields the parts of the sorted, disjoint ranges of list that lie in
// [start, end).
func Within(list []Range, start, end int64) iter.Seq[Range] {
	return func(yield func(Range) bool) {
		if start >= end {
			return
		}
		i := sort.Search(len(list), func(i int) bool { return list[i].End > start })
		for ; i < len(list) && list[i].Start < end; i++ {
			if !yield(Range{max(list[i].Start, start), min(list[i].End, end)}) {
				return
			}
		}
	}
}

// First is the first that Within yields; ok is false where it yields none. It
// allocates nothing.
func First(list []Range, start, end int64) (r Range, ok bool) {
	if len(list) == 0 || start >= end {
		return r, false
	}
	i := sort.Search(len(list), func(i int) bool { return list[i].End > start })
	if i == len(list) || list[i].Start >= end {
		return r, false
	}
	return Range{max(list[i].Start, start), min(list[i].End, end)}, true
}

// Touches reports whether a byte of [start, end) lies in one of the sorted,
// disjoint ranges of list. It allocates nothing.
func Touches(list []Range, start, end int64) bool {
	_, ok := First(list, start, end)
	return ok
}

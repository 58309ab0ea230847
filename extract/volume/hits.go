package volume

import (
	"cmp"
	"fmt"
	"slices"

	"fileassay/extract/ranges"
)

// hit is a volume that a search found by its own structures.
type hit struct {
	claim
	filesystem string
}

func (h *hit) end() int64 { return h.Start + h.Length }

// hits are the volumes found so far, by start and disjoint.
type hits []hit

// add takes a volume, and drops those that lie in it. Of two that overlap in
// part, the longer stays. It says what is left out, with offsets from base.
func (list *hits) add(h hit, base int64) (notes []string) {
	leave := func(o hit, how string, other hit) {
		notes = append(notes, fmt.Sprintf("%s volume at offset %d is left out: it %s the %s volume at offset %d",
			o.filesystem, base+o.Start, how, other.filesystem, base+other.Start))
	}
	for _, o := range *list {
		if o.Start >= h.end() || h.Start >= o.end() {
			continue
		}
		inside := h.Start >= o.Start && h.end() <= o.end()
		around := o.Start >= h.Start && o.end() <= h.end()
		switch {
		case inside:
			return nil
		case !around && o.Length >= h.Length:
			notes = nil
			leave(h, "overlaps", o)
			return notes
		}
		leave(o, "lies in", h)
	}
	out := slices.DeleteFunc(*list, func(o hit) bool { return o.Start < h.end() && h.Start < o.end() })
	out = append(out, h)
	slices.SortFunc(out, func(a, b hit) int { return cmp.Compare(a.Start, b.Start) })
	*list = out
	return notes
}

// covering is the accepted volume that the place lies in, nil if none.
func (list hits) covering(at int64) *hit {
	i, found := slices.BinarySearchFunc(list, at, func(h hit, at int64) int { return cmp.Compare(h.Start, at) })
	if !found {
		i--
	}
	if i < 0 || at >= list[i].end() {
		return nil
	}
	return &list[i]
}

// overlap reports whether a byte of length from start lies in one of the volumes.
func (list hits) overlap(start, length int64) bool {
	return slices.ContainsFunc(list, func(h hit) bool { return h.Start < start+length && start < h.end() })
}

// gaps are the parts of the ranges that no volume covers.
func (list hits) gaps(within *ranges.Set) []ranges.Range {
	var taken ranges.Set
	for _, h := range list {
		taken.Add(h.Start, h.Length)
	}
	var out []ranges.Range
	for w := range within.All() {
		out = append(out, without(w, &taken)...)
	}
	return out
}

// volumes are the hits as volumes; offsets are told from base.
func (list hits) volumes(base int64) []Volume {
	var out []Volume
	for _, h := range list {
		out = append(out, Volume{
			Start: h.Start, Length: h.Length, Filesystem: h.filesystem,
			Found: fmt.Sprintf("%s at offset %d (no table)", h.From, base+h.At),
		})
	}
	return out
}

// without cuts the taken parts out of a range.
func without(g ranges.Range, taken *ranges.Set) []ranges.Range {
	var out []ranges.Range
	at := g.Start
	for t := range taken.Within(g.Start, g.End-g.Start) {
		if at < t.Start {
			out = append(out, ranges.Range{Start: at, End: t.Start})
		}
		at = t.End
	}
	if at < g.End {
		out = append(out, ranges.Range{Start: at, End: g.End})
	}
	return out
}

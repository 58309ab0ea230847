package report

import (
	"fileassay/verify/result"
	"math"
	"slices"
	"sort"
)

// unread is all of the drive that was not read, as far as the result places it:
// [offset, end), sorted and joined.
type unread [][2]int64

// unreadOf collects what a result says of its unread places.
func unreadOf(r *result.Result) unread {
	var list unread
	add := func(held []result.Holding) {
		for _, h := range held {
			for _, rg := range h.Ranges {
				if within(rg[0], rg[1]) && rg[1] > 0 {
					list = append(list, [2]int64{rg[0], rg[0] + rg[1]})
				}
			}
		}
	}
	for i := range r.Volumes {
		add(r.Volumes[i].Places)
	}
	add(r.Summary.Places)
	slices.SortFunc(list, func(a, b [2]int64) int {
		switch {
		case a[0] < b[0]:
			return -1
		case a[0] > b[0]:
			return 1
		}
		return 0
	})
	out := list[:0]
	for _, rg := range list {
		if n := len(out); n > 0 && rg[0] <= out[n-1][1] {
			out[n-1][1] = max(out[n-1][1], rg[1])
			continue
		}
		out = append(out, rg)
	}
	return out
}

// under gives what of [at, at+n) was not read.
func (u unread) under(at, n int64, yield func(at, n int64)) {
	if !within(at, n) {
		return
	}
	for i := sort.Search(len(u), func(i int) bool { return u[i][1] > at }); i < len(u) && u[i][0] < at+n; i++ {
		from, to := max(u[i][0], at), min(u[i][1], at+n)
		yield(from, to-from)
	}
}

// packedUnread gives what was not read of the stored bytes of compressed
// content: its damage tells of content, of which one unread byte takes a whole
// unit, so how much of the drive must be read again does not stand there. Where
// the result does not place its unread bytes, only where a damage begins is
// known.
func (u unread) packedUnread(f *result.File, yield func(at, n int64)) {
	found := false
	for _, e := range f.Extents {
		u.under(e[1], e[2], func(at, n int64) {
			found = true
			yield(at, n)
		})
	}
	if found {
		return
	}
	for _, d := range f.Damage {
		if d.Image >= 0 {
			yield(d.Image, 1)
		}
	}
}

// plus adds numbers that are not below zero; a sum stops at the largest number
// there is.
func plus(a, b int64) int64 {
	if a > math.MaxInt64-b {
		return math.MaxInt64
	}
	return a + b
}

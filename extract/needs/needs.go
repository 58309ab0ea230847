// Package needs collects what must be read of the drive before more of a
// volume or a file can be known.
package needs

import (
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

const (
	// Most is how many ranges are asked for at once on behalf of one file,
	// folder or volume; once they were read, the rest is asked for.
	Most = 1 << 8
	// Few is how many are asked for on behalf of an entry where its folder asks
	// for all that may hold the rest of it.
	Few = 8
)

// List collects ranges of the image. Make one with [New].
type List struct {
	r    *image.Reader
	most int
	list []ranges.Range
}

// New is an empty list of at most so many ranges of the image that r reads.
func New(r *image.Reader, most int) *List { return &List{r: r, most: most} }

// Add takes length bytes from start, where a part of them was not read. It does
// nothing in a full list, but for what continues the last range.
func (l *List) Add(start, length int64) {
	if length <= 0 || start < 0 || l.r.IsRead(start, length) {
		return
	}
	if k := len(l.list) - 1; k >= 0 && l.list[k].End == start {
		l.list[k].End += length
	} else if len(l.list) < l.most {
		l.list = append(l.list, ranges.Range{Start: start, End: start + length})
	}
}

// AddAll takes ranges, as Add does.
func (l *List) AddAll(list []ranges.Range) {
	for _, r := range list {
		l.Add(r.Start, r.Len())
	}
}

// First takes the first of some copies of length bytes that was not read, since
// one of them serves. It reports whether there was one.
func (l *List) First(length int64, copies ...int64) bool {
	for _, at := range copies {
		if at >= 0 && length > 0 && !l.r.IsRead(at, length) {
			l.Add(at, length)
			return true
		}
	}
	return false
}

// Len is the number of ranges.
func (l *List) Len() int { return len(l.list) }

// Full reports whether no further range is taken.
func (l *List) Full() bool { return len(l.list) >= l.most }

// Ranges are the ranges in the order they were taken; nil where there are none.
func (l *List) Ranges() []ranges.Range { return l.list }

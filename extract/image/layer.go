package image

import (
	"fmt"
	"io"
	"iter"
	"math"
	"sort"

	"fileassay/extract/imap"
	"fileassay/extract/ranges"
)

// Run is a part of a layer: Length bytes of it from Offset on are those of the
// image from Image on.
type Run struct{ Offset, Image, Length int64 }

// Elsewhere is the Image of a run that no place of the image holds.
const Elsewhere = -1

// Runs say how a layer is put together from pieces of an image, in order of
// offset. What they leave out the image does not hold.
type Runs []Run

// find is the index of the first run that ends past off.
func (l Runs) find(off int64) int {
	return sort.Search(len(l), func(i int) bool { return l[i].Length > off-l[i].Offset })
}

// Each yields [off, off+n) of the layer cut at the borders of its runs, in order;
// what the image does not hold is Elsewhere.
func (l Runs) Each(off, n int64) iter.Seq[Run] {
	return func(yield func(Run) bool) {
		end := off + min(n, math.MaxInt64-max(off, 0))
		for i := l.find(max(off, 0)); off < end; i++ {
			next := end
			if i < len(l) {
				next = min(end, l[i].Offset)
			}
			if off < next && !yield(Run{off, Elsewhere, next - off}) {
				return
			}
			if off = max(off, next); off >= end {
				return
			}
			r := l[i]
			length := min(end-off, r.Length-(off-r.Offset))
			if !yield(Run{off, r.Image + off - r.Offset, length}) {
				return
			}
			off += length
		}
	}
}

// Place is where a byte of the layer lies in the image, or the end of one before
// a gap; Elsewhere for any other that the image does not hold.
func (l Runs) Place(off int64) int64 {
	i := l.find(off)
	switch {
	case i < len(l) && off >= l[i].Offset:
		return l[i].Image + off - l[i].Offset
	case i > 0 && l[i-1].Offset+l[i-1].Length == off:
		return l[i-1].Image + l[i-1].Length
	}
	return Elsewhere
}

// Ranges are the places in the image of ranges of the layer.
func (l Runs) Ranges(list []ranges.Range) []ranges.Range {
	var out []ranges.Range
	for _, rg := range list {
		for p := range l.Each(rg.Start, rg.Len()) {
			if p.Image >= 0 {
				out = append(out, ranges.Range{Start: p.Image, End: p.Image + p.Length})
			}
		}
	}
	return out
}

// Layer is what pieces of the image make up when they are put together, as an
// image of its own of size bytes. What no piece holds counts as skipped.
func (r *Reader) Layer(runs Runs, size int64) *Reader { return r.layer(runs, size, size, nil) }

// layer is Layer for a drive that may be larger than the image, without some
// ranges.
func (r *Reader) layer(runs Runs, size, drive int64, bad []imap.Range) *Reader {
	var list []imap.Range
	for p := range runs.Each(0, size) {
		if p.Image < 0 {
			continue
		}
		for rg := range r.Over(p.Image, p.Length) {
			rg.Start += p.Offset - p.Image
			list = append(list, rg)
		}
	}
	m, err := imap.New(list) // sorted and disjoint, as Each and Over give them
	if err != nil {
		m = &imap.Map{} // and nothing is read
	}
	v := New(&layered{r, runs}, size, m.With(bad), Options{Sector: r.sector, DriveSize: drive})
	v.under, v.runs = r, runs
	return v
}

// Origin is where a byte of a layer lies in the image that everybody sees, by all
// layers in between; for the image itself it is the offset.
func (r *Reader) Origin(off int64) int64 {
	for ; r.under != nil && off >= 0; r = r.under {
		off = r.runs.Place(off)
	}
	return off
}

// layered reads the pieces of a layer.
type layered struct {
	r    *Reader
	runs Runs
}

func (s *layered) ReadAt(p []byte, off int64) (n int, err error) {
	for part := range s.runs.Each(off, int64(len(p))) {
		if part.Image < 0 {
			return n, fmt.Errorf("offset %d of a layer: %w", part.Offset, io.EOF) // no map calls it read
		}
		k, err := s.r.ReadAt(p[part.Offset-off:][:part.Length], part.Image)
		if n += k; err != nil {
			return n, err
		}
	}
	return n, nil
}

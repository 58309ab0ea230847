package compare

import (
	"sort"

	"fileassay/extract/imap"
	"fileassay/extract/ranges"
)

// differing are sectors that hold other bytes in one image than in another, as
// ranges in order of place. They come in batches, since there may be as many
// as half the sectors of a drive.
type differing struct {
	unit   int64 // bytes of a sector
	limit  int   // of ranges in the batch
	list   []ranges.Range
	before []int64 // sectors in the ranges before each
}

// batchRanges is how many ranges a batch holds.
const batchRanges = 1 << 20

// add puts a sector behind those that are there.
func (d *differing) add(start, end int64) {
	if n := len(d.list); n > 0 && d.list[n-1].End == start {
		d.list[n-1].End = end
		return
	}
	d.list = append(d.list, ranges.Range{Start: start, End: end})
}

// count counts the sectors of a range. Only the last of a drive may be short.
func (d *differing) count(start, end int64) int64 { return (end - start + d.unit - 1) / d.unit }

// index makes sectors tell of what was added.
func (d *differing) index() {
	d.before = append(d.before[:0], 0)
	for i, s := range d.list {
		d.before = append(d.before, d.before[i]+d.count(s.Start, s.End))
	}
}

// sectors counts those in [start, end), whose bounds are those of sectors or
// the image's end.
func (d *differing) sectors(start, end int64) int64 {
	if start >= end {
		return 0
	}
	return d.upTo(end) - d.upTo(start)
}

// upTo counts the sectors before a place.
func (d *differing) upTo(at int64) int64 {
	i := sort.Search(len(d.list), func(i int) bool { return d.list[i].End > at })
	n := d.before[i]
	if i < len(d.list) && d.list[i].Start < at {
		n += d.count(d.list[i].Start, at)
	}
	return n
}

// floor is the start of the sector that holds a place, ceil the first such
// start not before it.
func (d *differing) floor(at int64) int64 { return at - at%d.unit }
func (d *differing) ceil(at int64) int64  { return d.floor(at + d.unit - 1) }

// sectorsOf are the sectors that hold a byte of ranges.
func (d *differing) sectorsOf(list []imap.Range) *ranges.Set {
	var set ranges.Set
	for _, x := range list {
		start := d.floor(x.Start)
		set.Add(start, d.ceil(x.End())-start)
	}
	return &set
}

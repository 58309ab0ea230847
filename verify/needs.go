package verify

import (
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// needsOf are the sectors that were not read in the given ranges: sorted,
// joined, as [offset, length] pairs within the drive; nil for none.
func needsOf(r *image.Reader, list []ranges.Range) [][2]int64 {
	if len(list) == 0 {
		return nil
	}
	sector := r.Sector()
	var set ranges.Set
	for _, s := range list {
		start, end := max(s.Start, 0), min(s.End, r.DriveSize())
		if start >= end {
			continue
		}
		for u := range r.Unread(start, end-start) {
			from := u.Start / sector * sector
			set.Add(from, min((u.End()+sector-1)/sector*sector, r.DriveSize())-from)
		}
	}
	var out [][2]int64
	for s := range set.All() {
		out = append(out, [2]int64{s.Start, s.End - s.Start})
	}
	return out
}

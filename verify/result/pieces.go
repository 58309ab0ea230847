package result

import (
	"cmp"
	"slices"
	"sort"

	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// Pieces are [offset in the volume, offset in the image, length] of those that make
// up a volume, in order of place in the image. What they leave out lies on other
// drives.
type Pieces [][3]int64

// PiecesOf are those that a volume was put together from; nil for one in one piece.
func PiecesOf(runs image.Runs) Pieces {
	var out Pieces
	for _, r := range runs {
		out = append(out, [3]int64{r.Offset, r.Image, r.Length})
	}
	slices.SortFunc(out, func(a, b [3]int64) int { return cmp.Compare(a[1], b[1]) })
	return out
}

// Runs is what [PiecesOf] was made of.
func (l Pieces) Runs() image.Runs {
	var out image.Runs
	for _, p := range l {
		out = append(out, image.Run{Offset: p[0], Image: p[1], Length: p[2]})
	}
	slices.SortFunc(out, func(a, b image.Run) int { return cmp.Compare(a.Offset, b.Offset) })
	return out
}

// sound reports whether pieces can make up a volume: none has the place of another,
// in it or in the image, and it begins with one.
func (l Pieces) sound(v *Volume) bool {
	end := int64(0)
	for _, p := range l {
		if p[2] <= 0 || p[1] < end || !within(p[1], p[2]) {
			return false
		}
		end = p[1] + p[2]
	}
	end = 0
	runs := l.Runs()
	for _, r := range runs {
		if r.Offset < end || r.Offset > v.Length-r.Length {
			return false
		}
		end = r.Offset + r.Length
	}
	return len(l) == 0 || runs[0].Image == v.Start
}

// Places are where the volume lies in the image, in order.
func (v *Volume) Places() []ranges.Range {
	if len(v.Pieces) == 0 {
		return []ranges.Range{{Start: v.Start, End: v.Start + v.Length}}
	}
	var out []ranges.Range
	for _, p := range v.Pieces {
		out = append(out, ranges.Range{Start: p[1], End: p[1] + p[2]})
	}
	return out
}

// holds reports whether a range of the image lies in the volume. One in one piece
// that reaches past an image of size bytes is told as far as that goes, its files
// are not cut.
func (v *Volume) holds(start, length, size int64) bool {
	l := v.Pieces
	if len(l) == 0 {
		end := v.Start + v.Length
		return start >= v.Start && (start+length <= end || end >= size)
	}
	i := sort.Search(len(l), func(i int) bool { return l[i][1]+l[i][2] > start })
	for ; i < len(l) && length > 0 && l[i][1] <= start; i++ { // it may go on from one into the next
		n := min(l[i][1]+l[i][2]-start, length)
		start, length = start+n, length-n
	}
	return length == 0
}

// sparse reports whether files of the volume may have bytes without storage: FAT and
// HFS+ store all of them.
func (v *Volume) sparse() bool {
	switch v.Filesystem {
	case "fat12", "fat16", "fat32", "hfsplus", "hfsx":
		return false
	}
	return true
}

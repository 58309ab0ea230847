package reread

import (
	"fileassay/extract/ranges"
	"fileassay/extract/unpack"
	"fileassay/verify/result"
)

// maxUnits bounds the units of a file that are told apart, maxUnit the bytes of
// content in one.
const (
	maxUnits = 4096
	maxUnit  = 1 << 30
)

// packed ends the item of a file that is stored compressed. Of such a file a
// sector alone gains nothing: its share is gained unit by unit, each of which
// needs all its sectors. Where the result does not tell which sectors are a
// unit's, only the whole file is won.
func (b *builder) packed(f *result.File, it item, whole, part float64) {
	units := b.unitsOf(f)
	if part <= 0 || part >= whole || len(units) < 2 {
		b.close(it, whole, 0)
		return
	}
	file := len(b.items)
	if b.close(it, whole-part, 0); len(b.items) == file {
		return
	}
	for _, spans := range units {
		b.spans = append(b.spans, spans...)
		b.close(item{sort: unitOfFile, volume: it.volume, file: int32(file)}, part/float64(len(units)), 0)
	}
}

// unitsOf are the unread spans of each compression unit that has any, in order;
// nil where units cannot be told apart. They can where extents keep their places
// in the content: by the method of NTFS.
func (b *builder) unitsOf(f *result.File) (units [][]ranges.Range) {
	if len(f.Packing.Units) == 0 || f.Packing.Method != unpack.LZNT1 || f.Packing.Unit <= 0 || f.Packing.Unit > maxUnit || f.Size == nil || *f.Size > 1<<60 {
		return nil
	}
	at := map[int64]int{} // where in units, by the number of a unit
	for _, e := range f.Extents {
		if e[0] < 0 || e[0] > *f.Size {
			return nil
		}
		for u := range b.unread.Within(e[1], e[2]) {
			all := b.sectors(u)
			s, end := all.Start, all.End
			for s < end {
				n := (e[0] + max(s-e[1], 0)) / f.Packing.Unit
				next := min(end, max(s+b.sector, (e[1]+(n+1)*f.Packing.Unit-e[0])/b.sector*b.sector)) // where the next unit's sectors begin
				k, ok := at[n]
				if !ok {
					if len(units) == maxUnits {
						return nil
					}
					k = len(units)
					at[n] = k
					units = append(units, nil)
				}
				units[k] = append(units[k], ranges.Range{Start: s, End: next})
				s = next
			}
		}
	}
	return units
}

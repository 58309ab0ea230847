package ntfs

import (
	"context"

	"fileassay/extract"
)

// placedSteps is how many records of the table are asked for their number, over
// all of it, behind the first ones.
const placedSteps = 4096

// Placed is for [extract.Placer]. A record of the file table names its number,
// and so its place in the table, which record 0 puts somewhere. The copy of the boot
// sector stands behind the volume.
func (v *Volume) Placed(ctx context.Context) (extract.Placed, error) {
	out := extract.Placed{Start: v.start}
	if v.rebuilt {
		return out, nil // the records were found where they stand
	}
	ask := func(s *stream, n uint64) {
		at := s.place(int64(n) * v.recordSize)
		b := s.read(make([]byte, v.recordSize), int64(n)*v.recordSize)
		if at < 0 || !b.Has(0, stride) || string(b.Data[:4]) != "FILE" || v.isFound(n) {
			return
		}
		number := uint64(le.Uint32(b.Data[recordNumber:]))
		array, _, err := applyFixups(&b)
		switch {
		case err != nil || array < recordHeaderSize || number == 0 && n != 0:
		case number == n:
			out.Hit(at + v.recordSize)
		default:
			out.Wrong = true
		}
	}
	for n := range uint64(mirrorRecords) {
		ask(v.plain(v.at(v.boot.MFTMirror), mirrorRecords*v.recordSize), n)
	}
	step := max(v.count/placedSteps, 1)
	for n := uint64(0); n < v.count && !out.Done(); n++ {
		if n > placedSteps && n%step != 0 {
			continue
		}
		if err := ctx.Err(); err != nil {
			return out, err
		}
		ask(v.stream, n)
	}
	out.All = !out.Wrong && step == 1
	end := v.start + v.boot.TotalSectors*v.boot.SectorSize // where the boot sector has its copy
	b := v.r.Partial(make([]byte, v.boot.SectorSize), end)
	if s, err := parseBootSector(b.Data); b.Whole() && err == nil && s == v.boot && out.End > 0 {
		out.Hit(end + v.boot.SectorSize)
	}
	return out, nil
}

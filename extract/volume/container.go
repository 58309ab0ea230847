package volume

import (
	"slices"

	"fileassay/extract/image"
	"fileassay/extract/mdraid"
)

// container is a place that metadata may stand in: the drive, a partition, and at
// any depth what metadata that was read gives, the content of an array or a logical
// volume. Its runs are where it lies on the drive.
type container struct {
	image.Runs
	length  int64
	drive   bool
	raid    bool // a partition of the type for members of arrays
	pool    bool // or of that for physical volumes too
	layer   bool // metadata gives it,
	logical bool // of LVM2

	looked bool
	open   []mdraid.Place // where metadata may stand in it that was not read, or
	array  *mdraid.Array  // what was read: then open is its place, if that is not followed
}

// find is how far into the container a byte of the drive lies, negative where it
// does not.
func (c *container) find(at int64) int64 {
	for _, r := range c.Runs {
		if r.Image <= at && at < r.Image+r.Length {
			return r.Offset + at - r.Image
		}
	}
	return -1
}

// reader is what to read the container with: it begins at start. at is where what
// is read lies on the drive, nil where that is the drive itself.
func (c *container) reader(drive *image.Reader) (r *image.Reader, start int64, at image.Runs) {
	if len(c.Runs) == 1 && c.Runs[0].Length == c.length {
		return drive, c.Runs[0].Image, nil
	}
	return drive.Layer(c.Runs, c.length), 0, c.Runs
}

// roots are the containers that no metadata of layers gives.
func (p *places) roots(l *Layout) []*container {
	whole := func(start, end int64) *container {
		return &container{Runs: image.Runs{{Offset: 0, Image: start, Length: end - start}}, length: end - start}
	}
	out := []*container{whole(0, p.r.DriveSize())}
	out[0].drive = true
	for i := range l.Partitions {
		q := &l.Partitions[i]
		for _, unit := range []int64{l.SectorSize, p.r.Sector()} { // which of them counts was told by what stands there
			c := whole(q.Start/l.SectorSize*unit, min(q.End()/l.SectorSize*unit, p.r.DriveSize()))
			same := func(o *container) bool { return o.Runs[0] == c.Runs[0] }
			if !q.room() || c.length <= 0 || slices.ContainsFunc(out, same) {
				continue
			}
			for k := range l.Partitions {
				if q := &l.Partitions[k]; q.Start == c.Runs[0].Image {
					c.raid = c.raid || slices.Contains(q.hints(), mdMember)
					c.pool = c.pool || c.raid || slices.Contains(q.hints(), lvmMember)
				}
			}
			out = append(out, c)
		}
	}
	return out
}

package volume

import (
	"context"
	"slices"
)

// bare takes the drive as one volume without a table, if a boot sector or a
// copy of one says so and it opens as one, or if it carries the mark of one.
func (f *finder) bare(ctx context.Context, boot *bootSector) (done bool, err error) {
	size := f.r.DriveSize()
	evidence := f.evidence()
	for _, primary := range []bool{true, false} { // an old copy must not win over what stands in the first sectors
		speaks := slices.DeleteFunc(slices.Clone(f.kinds), func(k Kind) bool {
			return !slices.ContainsFunc(evidence, func(c claim) bool { return c.kind.Name == k.Name && c.Start == 0 && c.primary() == primary })
		})
		fs, err := f.first(ctx, speaks, 0, size)
		if err != nil {
			return false, err
		}
		if fs != "" {
			f.bareVolume(boot, content{filesystem: fs})
			return true, nil
		}
	}
	if in, ok := wrapped(f.r, 0, size); ok {
		c, err := f.probe(ctx, in.Start, in.Len(), []string{"hfsplus"})
		if err != nil {
			return false, err
		}
		if c.reason == "" {
			c.start, c.length = in.Start, in.Len()
			f.bareVolume(boot, c)
			return true, nil
		}
	}
	c, ok, _ := identifyHead(f.r, 0, size)
	if ok {
		f.bareVolume(boot, c)
	}
	return ok, nil
}

// bareAtStart takes the drive as one volume if it opens as one whose primary
// structures stand at its start, and names what it is; "" if it does not.
func (f *finder) bareAtStart(ctx context.Context, boot *bootSector) (filesystem string, err error) {
	filesystem, err = f.first(ctx, f.primaryKinds(0), 0, f.r.DriveSize())
	if filesystem != "" {
		f.bareVolume(boot, content{filesystem: filesystem})
	}
	return filesystem, err
}

// headSectors is how much of a drive's start is looked through for copies of a
// bare volume's boot sector: those of FAT32 and exFAT stand in sectors 6 and 12.
const headSectors = 64

// evidence are the claims that stand where those of a bare volume would: in
// the drive's first and last sectors, and in the second group of ext volumes
// of each block size (Linux kernel Documentation/filesystems/ext4/super.rst,
// groups of as many blocks as a block has bits).
func (f *finder) evidence() []claim {
	places := []int64{0, primaryReach}
	for i := int64(1); i < headSectors; i++ {
		places = append(places, i*step)
	}
	for _, block := range []int64{1024, 2048, 4096} {
		at := 8 * block * block
		if block == 1024 {
			at += block // the first block is left to boot programs
		}
		places = append(places, at)
	}
	for at := f.r.DriveSize()/step*step - windowSize; at < f.r.DriveSize(); at += step {
		places = append(places, at)
	}
	var out []claim
	for _, at := range places {
		out = append(out, f.claims(window(f.r, f.buf, at), at)...)
	}
	return out
}

// lastResort tries the drive as a bare volume without any boot sector or copy
// of one that says so: some readers rebuild theirs from other structures. It
// comes after the search, since those structures may be a partition's.
func (f *finder) lastResort(ctx context.Context, boot *bootSector) error {
	fs, err := f.first(ctx, f.kinds, 0, f.r.DriveSize())
	if err == nil && fs == "" {
		fs, err = f.remains(ctx, 0, f.r.DriveSize())
	}
	if fs != "" {
		f.l.Notes = nil // they tell of a search for volumes that are none
		f.l.Structures = nil
		f.bareVolume(boot, content{filesystem: fs})
	}
	return err
}

// bareVolume is what the layout has where the drive is one volume.
func (f *finder) bareVolume(boot *bootSector, c content) {
	f.l.Scheme, f.l.SectorSize = SchemeNone, f.r.Sector()
	if !boot.read {
		f.l.note("sector 0 was not read; the drive opens as one bare %s volume by its other structures", c.filesystem)
	}
	f.add(c, "bare volume")
}

// add adds the volume that the drive as a whole is.
func (f *finder) add(c content, found string) {
	v, note := c.volume(found, 0, f.r.DriveSize(), f.r.Base())
	if note != "" {
		f.l.note("%s", note)
	}
	f.l.Volumes = append(f.l.Volumes, v)
}

// whole tells of the drive as a whole where no part of it could be told of.
func (f *finder) whole() {
	size := f.r.DriveSize()
	c, ok, dark := identify(f.r, 0, size)
	if !ok {
		c = f.unlisted(0, size, dark, nil)
	}
	f.add(c, "whole drive")
}

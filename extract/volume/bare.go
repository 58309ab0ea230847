package volume

import (
	"context"
	"slices"

	"fileassay/extract/lvm"
)

// bare is what the drive is as one volume without a table, if a boot sector,
// superblock or volume header or a copy of one says so and it opens as one, or if
// it carries the mark of one.
func (f *finder) bare(ctx context.Context) (c content, ok bool, err error) {
	size := f.r.DriveSize()
	found, _, err := f.byPrimaries(ctx, f.primaries(0), 0, size)
	if err != nil {
		return content{}, false, err
	}
	primary := len(found) > 0
	if !primary || !f.r.IsRead(0, min(size, headLength)) {
		evidence := f.evidence()
		for _, k := range f.kinds {
			speaks := func(c claim) bool { return c.kind.Name == k.Name && c.Start == 0 && !c.primary() }
			if primary && f.primaryRead(k.Name, 0) || !slices.ContainsFunc(evidence, speaks) || slices.ContainsFunc(found, func(c content) bool { return c.family == k.Name }) {
				continue
			}
			res, err := f.open(ctx, k, 0, size)
			if err != nil {
				return content{}, false, err
			}
			if c, ok := f.byCopies(k, res, 0, size); ok {
				found = append(found, c)
			}
		}
	}
	if c := f.contest(0, found, nil); c.filesystem != "" {
		return c, true, nil
	}
	if in, ok := wrapped(f.r, 0, size); ok {
		c, err := f.probe(ctx, in.Start, in.Len(), []string{"hfsplus"})
		if err != nil {
			return content{}, false, err
		}
		if c.reason == "" {
			c.start, c.length = in.Start, in.Len()
			return c, true, nil
		}
	}
	if c, ok, _ = identifyHead(f.r, 0, size); !ok {
		var g *lvm.Group
		if g, ok = lvm.Find(f.r, 0, size); ok { // by a metadata area alone
			c = content{filesystem: lvmMember, reason: pooled, doubt: g.Doubt}
		}
	}
	return c, ok, nil
}

// elsewhere reports whether a primary structure of a volume stands in one of the
// likely places past the start of the drive. A bare volume whose first structure
// is not in sector 0 leaves no room for a table there, but one that was made
// later may have been there and read as something else.
func (f *finder) elsewhere() bool {
	s := newSearch(f.places, f.l, wholeDrive(f.r), nil)
	own := f.primaries(0)
	return slices.ContainsFunc(s.likely(), func(at int64) bool {
		return slices.ContainsFunc(f.claims(window(f.r, f.buf, at), at), func(c claim) bool {
			copied := func(o claim) bool { return o.kind.Name == c.kind.Name && o.ID == c.ID && c.ID != "" } // as in a journal
			return c.primary() && c.Start > 0 && s.fits(&c) && !slices.ContainsFunc(own, copied)
		})
	})
}

// bareAtStart takes the drive as one volume if it opens as one whose primary
// structures stand at its start, and names what it is; "" if it does not.
func (f *finder) bareAtStart(ctx context.Context, boot *bootSector) (filesystem string, err error) {
	found, _, err := f.byPrimaries(ctx, f.primaries(0), 0, f.r.DriveSize())
	if err != nil || len(found) == 0 {
		return "", err
	}
	c := f.contest(0, found, nil)
	return c.filesystem, f.bareVolume(ctx, boot, c)
}

// bareInTable takes the drive as one volume where the boot record is that
// volume's boot sector. A volume whose first structure stands behind the boot
// record leaves that to a table: it may be younger, so the volume is added to
// those of the table, in doubt.
func (f *finder) bareInTable(ctx context.Context, t *table, volumes *[]tenant, boot *bootSector) (done bool, err error) {
	found, _, err := f.byPrimaries(ctx, f.primaries(0), 0, f.r.DriveSize())
	if err != nil || len(found) == 0 {
		return false, err
	}
	c := f.contest(0, found, nil)
	if headPlaces(c.family)[0].Start == 0 {
		return true, f.bareVolume(ctx, boot, c)
	}
	c.doubt = append(c.doubt, "sector 0 holds a partition table, and nothing known was read in its partitions: which of the two is younger is not known")
	v, _ := c.volume("bare volume", 0, f.r.DriveSize(), f.r)
	*volumes = append(*volumes, tenant{Volume: v})
	f.contested, t.dark = true, wholeDrive(f.r)
	f.l.missing("a bare volume (%s) fills the drive, and sector 0 holds a partition table: its volumes may be missing", c.filesystem)
	return false, nil
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
func (f *finder) lastResort(ctx context.Context, boot *bootSector, s *search) error {
	fs, err := f.first(ctx, f.kinds, 0, f.r.DriveSize())
	if err == nil && fs == "" {
		fs, err = f.remains(ctx, 0, f.r.DriveSize())
	}
	if fs == "" || err != nil {
		return err
	}
	// they tell of a search for volumes that are none
	f.l.Notes, f.l.Missing, f.l.Structures = nil, nil, nil
	if err := f.bareVolume(ctx, boot, content{filesystem: fs}); err != nil {
		return err
	}
	f.known, err = (&settler{f.places, f.l}).settle(ctx, f.known, nil, s.unclaimed(f.known))
	return err
}

// bareVolume is what the layout has where the drive is one volume.
func (f *finder) bareVolume(ctx context.Context, boot *bootSector, c content) error {
	f.l.Scheme, f.l.SectorSize = SchemeNone, f.r.Sector()
	if !boot.read {
		f.l.note("sector 0 was not read; the drive opens as one bare %s volume by its other structures", c.filesystem)
	}
	return f.add(ctx, c, "bare volume")
}

// add adds the volume that the drive as a whole is.
func (f *finder) add(ctx context.Context, c content, found string) error {
	v, note := c.volume(found, 0, f.r.DriveSize(), f.r)
	if note != "" {
		f.l.note("%s", note)
	}
	list, err := f.behind(ctx, []tenant{{Volume: v}})
	f.known = append(f.known, list...)
	return err
}

// whole tells of the drive as a whole where no part of it could be told of.
func (f *finder) whole(ctx context.Context) error {
	size := f.r.DriveSize()
	c, ok, dark := identify(f.r, 0, size)
	if !ok {
		var err error
		if c, err = f.unlisted(ctx, 0, size, dark, nil); err != nil {
			return err
		}
	}
	return f.add(ctx, c, "whole drive")
}

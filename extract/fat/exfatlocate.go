package fat

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"

	"fileassay/extract"
	"fileassay/extract/bitmap"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// exfatFormat is exFAT, for [format].
type exfatFormat struct {
	boot   exfatBoot
	proved bool // a boot region passed its checksum
	rival  bool // so did the other, which describes another volume
	broken bool // the table does not begin where it must
	geo    *geometry

	// what the root tells, once it was read
	label    string
	bitmaps  []placed
	upAt     *placed // the up-case table
	rootGaps bool    // not all of it was read

	bitmap  []extract.Extent // where the allocation bitmap lies
	upParts []extract.Extent // and the up-case table
	upcase  upcase           // nil where it is unread or fails its checksum
}

// maxExFATFolder is the most bytes a folder has. Section 7.6.7 bounds one to 256
// MiB.
const maxExFATFolder = 256 << 20

// OpenExFAT opens the exFAT volume at [start, start+length) of the image; length
// 0 is not known. Where the main boot region is unread or fails its checksum, the
// backup is used. The error is an [*extract.NotVolumeError] where it is no such
// volume.
func OpenExFAT(ctx context.Context, r *image.Reader, start, length int64, _ extract.Options) (*Volume, error) {
	return open(ctx, r, start, length, &exfatFormat{})
}

// locate is for [format].
func (d *exfatFormat) locate(_ context.Context, l *layout) error {
	if err := d.findBoot(l); err != nil {
		return err
	}
	b := &d.boot
	// a second table belongs to a second bitmap and is no copy: section 4.1
	active := int64(0)
	if b.Tables == 2 && b.Flags&flagActive != 0 {
		active = 1
	}
	l.place(&b.area, active)
	d.geo = &l.geometry
	l.folderBytes = maxExFATFolder
	tally := l.readRoot()
	d.rootGaps = tally.Unread > 0 || !tally.Ended
	d.findBitmap(l, uint8(active))
	d.findUpcase(l)
	if d.broken && d.upcase == nil {
		return &extract.NotVolumeError{Filesystem: "exfat", Start: l.start, Why: tableElsewhere}
	}
	if !d.proved && d.bitmap == nil && d.upcase == nil {
		// what may prove it: the root, which has the places of both and must be
		// read anyway, else the rest of the boot region
		needs := l.rootNeeds()
		if needs == nil {
			needs = []ranges.Range{{Start: l.start, End: l.start + regionSectors*b.SectorSize}}
		}
		return &extract.NotVolumeError{Filesystem: "exfat", Start: l.start, Needs: needs,
			Why: "the boot sector is not proved by its checksum, and neither bitmap nor up-case table stand where it puts them"}
	}
	d.prove(l)
	l.tell(b.Flags&flagDirty != 0, b.Flags&flagFailed != 0)
	if d.bitmap != nil {
		d.useBitmap(l)
	}
	l.own = append(l.own, d.upParts...)
	return nil
}

const tableElsewhere = "the allocation table does not stand where the boot sector puts it"

// prove doubts a volume of which nothing proves where the boot sector puts its
// clusters. A boot region does that passes its checksum, or two boot sectors that
// state the same; where neither is there, or both regions pass and state different
// volumes, two entries of the root together: the up-case table, which passes its
// checksum in its place, behind cluster 2, for the size of a cluster and the place
// of cluster 2; and the bitmap, which has a bit for each cluster and calls its own
// in use, for their number.
func (d *exfatFormat) prove(l *layout) {
	n := d.boot.bitmapBytes()
	fits := func(p placed) bool {
		row := l.lay(p.First, n, true)
		m, first, own := l.bitmapIn(row), int64(p.First)-firstCluster, l.need(n)
		return p.Length == uint64(n) && reach(row) == n && !m.Any(first, own, bitmap.Clear) && !m.Any(first, own, bitmap.Unknown)
	}
	switch {
	case d.upcase != nil && d.upAt.First > firstCluster && slices.ContainsFunc(d.bitmaps, fits):
	case d.rival:
		l.doubt = append(l.doubt, "the boot sector and its backup, both read, do not state the same volume")
	case !d.proved:
		l.doubt = append(l.doubt, unproven)
		l.unproved = true
		l.witnesses = append(l.witnesses, ranges.Range{Start: l.start, End: l.start + regionSectors*d.boot.SectorSize})
	}
}

// bootRegion is what came of reading a boot region.
type bootRegion struct {
	at    int64
	boot  exfatBoot
	sound bool // the checksum fits
	part  bool // not all of it was read, so that the checksum cannot be proved
}

// readRegion reads the boot region at an image offset.
func readRegion(r *image.Reader, at int64) (*bootRegion, error) {
	b := make([]byte, bootSectorSize)
	if _, err := r.ReadAt(b, at); err != nil {
		return nil, errors.New("the boot sector is unread")
	}
	s, err := parseExFATBoot(b)
	if err != nil {
		return nil, err
	}
	reg := &bootRegion{at: at, boot: s}
	b = make([]byte, regionSectors*s.SectorSize)
	reg.part = len(r.ReadReadable(b, at)) > 0
	reg.sound = !reg.part && checkRegion(b, s.SectorSize)
	return reg, nil
}

// findBoot finds the volume's parameters: the region whose checksum fits, the
// main one first; else a boot sector that cannot be checked since other
// sectors of its region are unread; else one whose checksum does not fit.
func (d *exfatFormat) findBoot(l *layout) error {
	main, mainErr := readRegion(l.r, l.start)
	if main != nil && !main.stands(l) {
		if d.broken = main.sound; !d.broken {
			main, mainErr = nil, errors.New(tableElsewhere)
		}
	}
	var backup *bootRegion
	for at := range CopiesExFAT(l.start, l.length) {
		if b, err := readRegion(l.r, at); err == nil && regionSectors*b.boot.SectorSize == at-l.start && (b.sound || b.stands(l)) {
			d.broken = d.broken || main == nil && !b.stands(l)
			backup = b
			break
		}
	}
	why := "the boot region is partly unread"
	switch {
	case main == nil:
		why = mainErr.Error()
	case !main.part:
		why = "the boot region fails its checksum"
	}
	switch {
	case main != nil && main.sound:
		d.boot, d.proved = main.boot, true
		d.rival = backup != nil && backup.sound && !main.boot.sameVolume(backup.boot)
	case backup != nil && backup.sound:
		d.boot, d.proved = backup.boot, true
		if main != nil {
			d.boot.Flags = main.boot.Flags // the backup's are stale: section 3.1.13
		}
		d.oppose(l, main, backup)
		l.note("%s: the backup at offset %d (sector %d of the volume) was used", why, l.r.Origin(backup.at), regionSectors)
	case main != nil && backup != nil && main.boot.sameVolume(backup.boot):
		d.boot, d.proved = main.boot, true
		l.note("%s: main and backup boot sector agree", why)
	case main != nil:
		d.boot = main.boot
		l.note("%s, and so is the backup: the boot sector was used, since what it points to stands there", why)
	case backup != nil:
		d.boot = backup.boot
		d.oppose(l, main, backup)
		l.note("%s, and the backup cannot be checked: it was used, since what it points to stands there", why)
	default:
		return &extract.NotVolumeError{Filesystem: "exfat", Start: l.start, Why: why}
	}
	return nil
}

// oppose doubts a volume whose backup boot region is used where what was read of
// the main one is another's: the two are the same but for the flags (section 3.2),
// which stand in the boot sector. A boot sector that fails its checksum says
// nothing.
func (d *exfatFormat) oppose(l *layout, main, backup *bootRegion) {
	if main != nil && main.boot.sameVolume(backup.boot) {
		return
	}
	size := backup.boot.SectorSize
	differ := main != nil && main.part
	own, other := make([]byte, size), make([]byte, size)
	for at := size; at < regionSectors*size && !differ; at += size {
		_, err1 := l.r.ReadAt(own, l.start+at)
		_, err2 := l.r.ReadAt(other, backup.at+at)
		differ = err1 == nil && err2 == nil && !bytes.Equal(own, other)
	}
	if differ {
		l.doubt = extract.Doubt{"the backup boot region is used, and what was read of the main one is not the same: another volume may have been made in its place"}
	}
}

// stands reports whether nothing that was read speaks against the place of the
// volume: the main region taken for the backup, or the other way round, would
// have the table elsewhere.
func (b *bootRegion) stands(l *layout) bool { return l.tableOf(&b.boot.area, 0).stands() >= 0 }

// info is for [format].
func (d *exfatFormat) info() extract.Info {
	return extract.Info{Filesystem: "exfat", Label: d.label}
}

// structures is for [format].
func (d *exfatFormat) structures(l *layout, _ count) []extract.Structure {
	var list []extract.Structure
	add := func(name string, parts ...extract.Extent) *extract.Structure {
		list = append(list, structureOf(l.r, name, parts...))
		return &list[len(list)-1]
	}
	sector := d.boot.SectorSize
	for i, name := range []string{"boot region", "backup boot region"} {
		at := l.start + int64(i)*regionSectors*sector
		s := add(name, extract.Extent{Image: at, Length: regionSectors * sector})
		if s.Health != extract.HealthRead {
			continue
		}
		switch reg, err := readRegion(l.r, at); {
		case err != nil:
			s.Health, s.Note = extract.HealthDamaged, err.Error()
		case !reg.sound:
			s.Health, s.Note = extract.HealthDamaged, "its checksum does not fit"
		case !reg.boot.sameVolume(d.boot):
			s.Health = extract.HealthDisagrees
		}
	}
	for i := range d.boot.Tables {
		add(fmt.Sprintf("allocation table %d", i+1), extract.Extent{Image: l.start + d.boot.tableAt(i), Length: d.boot.tableBytes()})
	}
	for _, p := range []struct {
		name  string
		parts []extract.Extent
		fails bool // its checksum
	}{{"allocation bitmap", d.bitmap, false}, {"up-case table", d.upParts, d.upcase == nil}} {
		s := add(p.name, p.parts...)
		if p.parts == nil {
			s.Note = "the entry with its place is unread or missing"
		} else if s.Health == extract.HealthRead && p.fails {
			s.Health, s.Note = extract.HealthDamaged, "its checksum does not fit"
		}
	}
	return list
}

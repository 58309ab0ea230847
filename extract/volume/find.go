package volume

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// Find reads the partition tables of the image and says what fills each
// partition. Where the tables are unread or senseless it finds the volumes by
// their own structures. The error is that of ctx: damage is no error, it shows
// in the layout.
func Find(ctx context.Context, r *image.Reader, o extract.Options) (*Layout, error) {
	return newPlaces(r, o, Kinds()).find(ctx)
}

func (p *places) find(ctx context.Context) (*Layout, error) {
	l := &Layout{}
	f := finder{p, l}
	if err := f.tables(ctx); err != nil {
		return nil, err
	}
	if len(l.Volumes) == 0 {
		f.whole()
	}
	var err error
	if l.Volumes, err = (&layers{p, l}).behind(ctx, l.Volumes); err != nil {
		return nil, err
	}
	slices.SortStableFunc(l.Volumes, func(a, b Volume) int {
		return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(b.Length, a.Length))
	})
	l.Needs = tableNeeds(l.Structures)
	for i := range l.Volumes {
		v := &l.Volumes[i]
		if !v.told() && !v.NoFiles {
			v.Needs = p.needs(v)
		}
		if k, ok := kindOf(p.kinds, v.Filesystem); ok && v.Reason == "" {
			v.fs = p.reader(k.Name, v.Start, v.Length)
		}
	}
	return l, nil
}

// finder reads the partition tables and fills the layout from them.
type finder struct {
	*places
	l *Layout
}

// tables decides which reading of the drive holds, by what the tables say and
// by what then opens, and fills the layout from it.
func (f *finder) tables(ctx context.Context) error {
	boot := readBootSector(f.r, "master boot record", 0)
	sectors := f.r.DriveSize() / step
	s := senseNone
	if boot.ok {
		s = boot.rec.sense(sectors)
	}
	gpt := readGPT(f.r, &boot)
	if gpt != nil {
		gpt.structures = append([]extract.Structure{boot.structure}, gpt.structures...)
	}

	switch {
	case gpt != nil && s == senseShield:
		return f.useGPT(ctx, gpt, &boot)
	case gpt != nil && gpt.usable() && (s != senseTable || !boot.ok):
		return f.rivalGPT(ctx, gpt, &boot)
	case s == senseTable || s == senseMixed:
		return f.useMBR(ctx, &boot, s, gpt)
	}
	if t := readAPM(f.r); t != nil && t.usable() {
		return f.useTable(ctx, t)
	}
	done, err := f.bare(ctx, &boot)
	if done || err != nil {
		return err
	}
	return f.without(ctx, &boot, gpt)
}

// usable reports whether the table names a partition.
func (t *table) usable() bool {
	return slices.ContainsFunc(t.partitions, func(p Partition) bool { return p.room() || p.Container })
}

// useGPT takes a GPT whose protective record stands.
func (f *finder) useGPT(ctx context.Context, t *table, boot *bootSector) error {
	for i, e := range boot.rec.Entries {
		if !e.used() || e.Type == typeProtective {
			continue
		}
		t.scheme = SchemeHybrid
		p := e.partition(i+1, 0, t.unit)
		same := slices.IndexFunc(t.partitions, func(g Partition) bool { return g.Start == p.Start })
		switch {
		case same < 0 && p.Length > 0 && p.Start < f.r.DriveSize():
			t.note("MBR partition %d at offset %d is in the MBR of this hybrid drive only", p.Number, f.r.Base()+p.Start)
			t.partitions = append(t.partitions, p)
		case same >= 0 && t.partitions[same].Length != p.Length:
			t.note("MBR partition %d and GPT entry %d begin at offset %d but differ in length: %d and %d bytes; the GPT is used",
				p.Number, t.partitions[same].Number, f.r.Base()+p.Start, p.Length, t.partitions[same].Length)
		}
	}
	slices.SortStableFunc(t.partitions, func(a, b Partition) int { return cmp.Compare(a.Start, b.Start) })
	switch {
	case t.usable():
		return f.useTable(ctx, t)
	case t.vouched:
		t.note("the GPT has no partitions; volumes are searched for by their own structures")
	default:
		t.scheme = SchemeUnknown
		t.note("the protective MBR says that the drive has a GPT, but no entries of it could be used")
	}
	t.dark = wholeDrive(f.r)
	return f.useTable(ctx, t)
}

// rivalGPT takes a GPT without its protective record, unless the drive is one
// bare volume that was written over it.
func (f *finder) rivalGPT(ctx context.Context, t *table, boot *bootSector) error {
	if !boot.read {
		t.note("sector 0 was not read; the GPT is used")
		return f.useTable(ctx, t)
	}
	fs, err := f.bareAtStart(ctx, boot)
	if err != nil {
		return err
	}
	if fs != "" {
		f.l.note("a GPT of %d entries is left aside: the boot sector of a bare %s volume stands in its place", len(t.partitions), fs)
		return nil
	}
	t.note("sector 0 holds no protective MBR; the GPT is used")
	return f.useTable(ctx, t)
}

// useMBR takes the table of the boot record, unless the record is the boot
// sector of a bare volume whose program reads like a table.
func (f *finder) useMBR(ctx context.Context, boot *bootSector, s sense, gpt *table) error {
	t, err := f.mbrUnit(ctx, boot)
	if err != nil {
		return err
	}
	volumes, err := f.fill(ctx, t)
	if err != nil {
		return err
	}
	known := slices.ContainsFunc(volumes, func(v Volume) bool { return v.told() })
	if !known {
		if fs, err := f.bareAtStart(ctx, boot); fs != "" || err != nil {
			return err
		}
	}
	unread := slices.ContainsFunc(volumes, func(v Volume) bool { return v.Filesystem == "unread" || v.Filesystem == "empty" })
	switch {
	case s == senseMixed && !known:
		f.l.Structures = append(f.l.Structures, boot.structure)
		f.l.note("sector 0 ends like an MBR, but its entries make no sense as a partition table")
		done, err := f.bare(ctx, boot)
		if done || err != nil {
			return err
		}
		f.l.Structures = nil
		return f.without(ctx, boot, gpt)
	case s == senseMixed:
		t.note("some entries of the MBR make no sense; volumes are searched for outside the others too")
		t.dark = wholeDrive(f.r)
	case !known && !unread:
		t.note("nothing known stands in any partition of the MBR; volumes are searched for by their own structures")
		t.dark = wholeDrive(f.r)
	}
	if gpt != nil {
		t.note("a GPT is left aside: the MBR holds a table of its own without a protective entry")
	}
	return f.lay(ctx, t, volumes)
}

// told reports whether something is known to fill the volume.
func (v *Volume) told() bool {
	return v.Filesystem != "unknown" && v.Filesystem != "unread" && v.Filesystem != "empty"
}

// mbrUnit reads the MBR in the unit in which most of its partitions begin with
// a volume: an image of a drive of 4096-byte sectors may be opened with 512,
// and the reverse.
func (f *finder) mbrUnit(ctx context.Context, boot *bootSector) (*table, error) {
	var best *table
	bestCount := -1
	for _, byOpen := range []bool{false, true} {
		for _, unit := range units(f.r) {
			t := readMBR(f.r, boot, unit)
			n, parts := 0, 0
			for i := range t.partitions {
				p := &t.partitions[i]
				if !p.room() || p.Start >= f.r.Size() {
					continue
				}
				parts++
				c, err := f.stands(ctx, p, byOpen)
				if err != nil {
					return nil, err
				}
				if c {
					n++
				}
			}
			if n > bestCount {
				best, bestCount = t, n
			}
			if n > 0 && n == parts {
				break
			}
		}
		if bestCount > 0 {
			break
		}
	}
	if best.unit != f.r.Sector() {
		best.note("the MBR counts in sectors of %d bytes, as the volumes in its partitions show; the image was opened with %d", best.unit, f.r.Sector())
	}
	return best, nil
}

// stands reports whether a volume begins where the partition does: by its
// primary structures or marks, or by opening it.
func (f *finder) stands(ctx context.Context, p *Partition, byOpen bool) (bool, error) {
	if !byOpen {
		if len(f.primaries(p.Start)) > 0 {
			return true, nil
		}
		_, ok, _ := identifyHead(f.r, p.Start, p.Length)
		return ok, nil
	}
	c, err := f.probe(ctx, p.Start, p.Length, p.hints())
	return c.reason == "", err
}

// useTable fills the layout from a table.
func (f *finder) useTable(ctx context.Context, t *table) error {
	volumes, err := f.fill(ctx, t)
	if err != nil {
		return err
	}
	return f.lay(ctx, t, volumes)
}

// lay takes a table and the volumes in it into the layout, searches what it
// leaves dark, and holds it against the second reader of tables.
func (f *finder) lay(ctx context.Context, t *table, volumes []Volume) error {
	f.l.Scheme, f.l.SectorSize = t.scheme, t.unit
	f.l.Notes = append(f.l.Notes, t.notes...)
	f.l.Notes = append(f.l.Notes, secondOpinion(f.r, t)...)
	f.l.Structures = append(f.l.Structures, t.structures...)
	f.l.Partitions = t.partitions
	f.l.Volumes = volumes
	if t.missing != "" {
		f.l.missing("%s", t.missing)
	}
	for _, v := range volumes {
		if v.Partition.pooled() && !v.told() {
			// its volumes are laid out by a table of its own that is not read here
			t.dark = append(t.dark, ranges.Range{Start: v.Start, End: v.End()})
		}
	}
	if len(t.dark) > 0 {
		return f.searchDark(ctx, t.dark)
	}
	return nil
}

// maxPartitions bounds the partitions whose content is looked at: eight times
// what a GPT usually has room for.
const maxPartitions = 1024

// fill says what fills each partition of the table.
func (f *finder) fill(ctx context.Context, t *table) ([]Volume, error) {
	var out []Volume
	for i := range t.partitions {
		p := &t.partitions[i]
		if !p.room() {
			continue
		}
		if slices.ContainsFunc(out, func(v Volume) bool { return v.Start == p.Start && v.Length == p.Length }) {
			continue
		}
		if len(out) == maxPartitions {
			t.missing = fmt.Sprintf("the table has more than %d partitions: the others are left aside", maxPartitions)
			break
		}
		c, err := f.probe(ctx, p.Start, p.Length, p.hints())
		if err != nil {
			return nil, err
		}
		v, note := c.volume(p.label(t.scheme), p.Start, p.Length, f.r.Base())
		if note != "" {
			t.note("%s", note)
		}
		v.Partition = p
		if p.NoFiles && !v.told() {
			v.NoFiles = true
			v.Reason = fmt.Sprintf("its type (%s) says that it holds no files; %s", p.Type, v.Reason)
		}
		out = append(out, v)
	}
	return out, nil
}

// searchDark searches the ranges that a table leaves dark, around the volumes
// that it does name.
func (f *finder) searchDark(ctx context.Context, dark []ranges.Range) error {
	var taken ranges.Set
	for _, v := range f.l.Volumes {
		if v.told() {
			taken.Add(v.Start, v.Length)
		}
	}
	var within []ranges.Range
	for _, d := range dark {
		within = append(within, without(d, &taken)...)
	}
	s := newSearch(f.places, f.l, within)
	if err := s.run(ctx); err != nil {
		return err
	}
	found := s.hits.volumes(f.r.Base())
	f.l.Volumes = slices.DeleteFunc(f.l.Volumes, func(v Volume) bool {
		for _, n := range found {
			if !v.told() && n.Start < v.End() && v.Start < n.End() {
				f.l.note("%s (%s) is left out: a %s volume was found at offset %d by its own structures", v.Found, v.Filesystem, n.Filesystem, f.r.Base()+n.Start)
				return true
			}
		}
		return false
	})
	f.l.Volumes = append(f.l.Volumes, found...)
	f.l.Volumes = append(f.l.Volumes, s.marked()...)
	if len(f.l.Volumes) > 0 { // else the drive as a whole is told of
		f.l.Volumes = append(f.l.Volumes, s.leftover(f.l.Volumes)...)
	}
	return nil
}

// without finds the volumes of a drive whose table is unread, empty or
// senseless.
func (f *finder) without(ctx context.Context, boot *bootSector, gpt *table) error {
	f.l.Scheme, f.l.SectorSize = SchemeUnknown, f.r.Sector()
	f.l.Structures = append(f.l.Structures, boot.structure)
	if gpt != nil {
		f.l.Structures = gpt.structures
		f.l.Notes = append(f.l.Notes, gpt.notes...)
	}
	switch {
	case !boot.read:
		f.l.note("the partition table in sector 0 was not read and has no copy; volumes are searched for by their own structures")
	case boot.ok && boot.rec.sense(f.r.DriveSize()/step) == senseEmpty:
		f.l.Scheme = SchemeNone
		f.l.note("the MBR has no partitions; volumes are searched for by their own structures")
	case boot.zero:
		f.l.Scheme = SchemeNone
		f.l.note("sector 0 is empty; volumes are searched for by their own structures")
	default:
		f.l.note("sector 0 holds no partition table; volumes are searched for by their own structures")
	}
	if err := f.searchDark(ctx, wholeDrive(f.r)); err != nil {
		return err
	}
	if len(f.l.Volumes) == 0 {
		return f.lastResort(ctx, boot)
	}
	return nil
}

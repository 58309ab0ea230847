package volume

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

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
	f := finder{places: p, l: l, layers: layers{p, l, nil, &given{drive: p.r.DriveSize()}}}
	if err := f.tables(ctx); err != nil {
		return nil, err
	}
	if len(f.known) == 0 && len(f.rest) == 0 {
		if err := f.whole(ctx); err != nil {
			return nil, err
		}
	}
	for i := range f.known {
		l.Volumes = append(l.Volumes, f.known[i].Volume)
	}
	l.Volumes = append(l.Volumes, f.rest...)
	slices.SortStableFunc(l.Volumes, func(a, b Volume) int {
		return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(b.Length, a.Length))
	})
	if err := p.fronted(ctx, l, f.end, f.layers.all.list); err != nil {
		return nil, err
	}
	l.Needs = tableNeeds(l.Structures)
	for i := range l.Volumes {
		v := &l.Volumes[i]
		if !v.told() && !v.NoFiles && v.Pieces == nil {
			v.Needs = append(v.Needs, p.needs(v)...)
		}
		if k, ok := kindOf(p.kinds, v.Filesystem); ok && v.Reason == "" && len(v.bad) == 0 && v.Pieces == nil {
			v.fs = p.reader(k.Name, v.Start, v.Length)
		}
	}
	return l, nil
}

// finder reads the partition tables and fills the layout from them.
type finder struct {
	*places
	l      *Layout
	layers layers
	known  []tenant // the volumes that were found
	rest   []Volume // what else there is to tell of: space outside them
	last   *search  // that was made
	end    int64    // of the drive, by the table, as [table] has it
	// contested is set where a bare volume claims what a table that was read names
	contested bool
	quiet     bool // a table's checksum vouches that nothing stands outside them
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

	if apm := readAPM(f.r); apm != nil && apm.usable() && !apm.broken {
		if !boot.read {
			apm.dark = wholeDrive(f.r)
		}
		if gpt != nil && s != senseShield { // its primary would stand where the map does
			apm.note("a GPT is left aside: an Apple partition map stands where its primary would")
			gpt = nil
		}
		if gpt == nil && s != senseTable && s != senseMixed {
			return f.useTable(ctx, apm)
		}
	}
	switch {
	case !boot.read:
		return f.unread(ctx, &boot, gpt)
	case gpt != nil && s == senseShield:
		return f.useGPT(ctx, gpt, &boot)
	case gpt != nil && gpt.usable() && s != senseTable:
		return f.rivalGPT(ctx, gpt, &boot)
	case s == senseTable || s == senseMixed:
		return f.useMBR(ctx, &boot, s, gpt)
	}
	if t := readAPM(f.r); t != nil && t.usable() {
		return f.useTable(ctx, t)
	}
	return f.without(ctx, &boot, gpt)
}

// unread finds the volumes of a drive whose sector 0 was not read: it may hold
// the table that counts, whatever another table or a bare volume says, so the
// whole drive is searched.
func (f *finder) unread(ctx context.Context, boot *bootSector, gpt *table) error {
	t := gpt
	if t != nil && t.usable() {
		t.note("sector 0 was not read; the GPT is used")
	} else if t = readAPM(f.r); t == nil || !t.usable() {
		return f.without(ctx, boot, gpt)
	}
	f.quiet = t.vouched
	t.dark, t.vouched = wholeDrive(f.r), false
	return f.useTable(ctx, t)
}

// usable reports whether the table names a partition.
func (t *table) usable() bool {
	return len(t.rivals) > 0 || slices.ContainsFunc(t.partitions, func(p Partition) bool { return p.room() || p.Container })
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
			t.note("MBR partition %d at offset %d is in the MBR of this hybrid drive only", p.Number, f.r.Origin(p.Start))
			t.partitions = append(t.partitions, p)
		case same >= 0 && t.partitions[same].Length != p.Length:
			t.note("MBR partition %d and GPT entry %d begin at offset %d but differ in length: %d and %d bytes; the GPT is used",
				p.Number, t.partitions[same].Number, f.r.Origin(p.Start), p.Length, t.partitions[same].Length)
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
	fs, err := f.bareAtStart(ctx, boot)
	if err != nil {
		return err
	}
	if fs != "" {
		f.l.note("a GPT of %d entries is left aside: the boot sector of a bare %s volume stands in its place", len(t.partitions), fs)
		return nil
	}
	t.note("sector 0 holds no protective MBR; the GPT is used")
	t.dark, t.vouched = wholeDrive(f.r), false
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
	known := slices.ContainsFunc(volumes, func(v tenant) bool { return v.told() })
	if !known {
		if done, err := f.bareInTable(ctx, t, &volumes, boot); done || err != nil {
			return err
		}
	}
	unread := slices.ContainsFunc(volumes, func(v tenant) bool { return v.Filesystem == "unread" || v.Filesystem == "empty" })
	switch {
	case s == senseMixed && !known && !f.contested:
		f.l.note("sector 0 ends like an MBR, but its entries make no sense as a partition table")
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
	var own *table
	for _, unit := range units(f.r) {
		t := readMBR(f.r, boot, unit)
		if own == nil {
			own = t
		}
		facts := 0
		for i := range t.partitions {
			p := &t.partitions[i]
			if !p.room() || p.Start >= f.r.Size() {
				continue
			}
			n, err := f.facts(ctx, p)
			if err != nil {
				return nil, err
			}
			facts += n
		}
		if facts >= 2 || facts == 1 && unit == f.r.Sector() {
			if t != own {
				t.note("the MBR counts in sectors of %d bytes, as the volumes in its partitions show; the image was opened with %d", unit, f.r.Sector())
			}
			return t, nil
		}
	}
	return own, nil
}

// facts counts what speaks for a partition's place: that a volume begins there,
// by its primary structure or mark or by opening it, and that it fills the
// partition but for a part.
func (f *finder) facts(ctx context.Context, p *Partition) (n int, err error) {
	first := f.primaries(p.Start)
	for _, c := range first {
		n = max(n, 1)
		if c.Length <= p.Length && c.Length > p.Length-p.Length/8 {
			n = 2
		}
	}
	if n > 0 {
		return n, nil
	}
	if _, ok, _ := identifyHead(f.r, p.Start, p.Length); ok {
		return 1, nil
	}
	c, err := f.probe(ctx, p.Start, p.Length, p.hints())
	if err != nil || c.reason != "" {
		return 0, err
	}
	if c.own > 0 && c.own <= p.Length && c.own > p.Length-p.Length/8 {
		return 2, nil
	}
	return 1, nil
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
func (f *finder) lay(ctx context.Context, t *table, volumes []tenant) error {
	f.l.Scheme, f.l.SectorSize = t.scheme, t.unit
	f.l.Notes = append(f.l.Notes, t.notes...)
	f.l.Notes = append(f.l.Notes, secondOpinion(f.r, t)...)
	f.l.Structures = append(f.l.Structures, t.structures...)
	f.l.Partitions, f.end = t.partitions, t.end
	if t.missing != "" {
		f.l.missing("%s", t.missing)
	}
	f.incomplete(t)
	others, err := f.rivals(ctx, t, volumes)
	if err != nil {
		return err
	}
	if f.known, err = f.behind(ctx, append(volumes, others...)); err != nil {
		return err
	}
	for _, v := range f.known {
		if !v.told() && !v.NoFiles || v.Filesystem == mdMember && !v.member {
			// what is in it may begin elsewhere, as behind metadata that was not read,
			// or by a table of its own
			t.dark = append(t.dark, v.Places()...)
		}
	}
	named := len(f.known)
	if err := f.search(ctx, t.dark, !t.vouched && t.scheme != SchemeMBR || f.contested); err != nil {
		return err
	}
	if t.hollow && len(f.known) > named {
		f.l.missing("volumes stand in an extended partition that names none: others may be missing")
	}
	return nil
}

// incomplete says that a table does not tell of all its volumes.
func (f *finder) incomplete(t *table) {
	if t.broken {
		f.l.missing("the table is unread in part or contradicts itself: a volume that only it names may be missing")
	}
}

// rivals are the volumes of entries that only a copy of the table names that is
// not followed.
func (f *finder) rivals(ctx context.Context, t *table, volumes []tenant) ([]tenant, error) {
	var out []tenant
	for i := range t.rivals {
		p := &t.rivals[i]
		if !p.room() || slices.ContainsFunc(volumes, func(v tenant) bool { return v.Start == p.Start }) {
			continue
		}
		v, err := f.partition(ctx, t, p)
		if err != nil {
			return nil, err
		}
		if v.listed() {
			v.named = false
			out = append(out, v)
		}
	}
	return out, nil
}

// behind replaces volumes by those behind the metadata in them.
func (f *finder) behind(ctx context.Context, list []tenant) ([]tenant, error) {
	var out []tenant
	for _, t := range list {
		inner, err := f.layers.follow(ctx, t.Volume, 0)
		if err != nil {
			return nil, err
		}
		for _, v := range inner {
			n := t
			n.Volume = v
			out = append(out, n)
		}
	}
	return out, nil
}

// maxPartitions bounds the partitions whose content is looked at: eight times
// what a GPT usually has room for.
const maxPartitions = 1024

// maxOverlap bounds what they have in all, in sizes of the drive: each may have to
// be looked through.
const maxOverlap = 16

// fill says what fills each partition of the table.
func (f *finder) fill(ctx context.Context, t *table) ([]tenant, error) {
	var out []tenant
	spent := int64(0)
	for i := range t.partitions {
		p := &t.partitions[i]
		if !p.room() || f.same(t, p, out) {
			continue
		}
		if len(out) == maxPartitions {
			t.missing = fmt.Sprintf("the table has more than %d partitions: the others are left aside", maxPartitions)
			break
		}
		if spent += min(p.Length, f.r.DriveSize()); spent/maxOverlap > f.r.DriveSize() {
			t.missing = fmt.Sprintf("the partitions of the table overlap, and have more than %d times the size of the drive: those after %s are left aside", maxOverlap, out[len(out)-1].Found)
			break
		}
		v, err := f.partition(ctx, t, p)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, nil
}

// same reports whether another entry of the table names the same place, and
// says which one counts: it is the longest that begins there, which a volume can
// be shorter than.
func (f *finder) same(t *table, p *Partition, out []tenant) bool {
	for i := range t.partitions {
		o := &t.partitions[i]
		if o == p || !o.room() || o.Start != p.Start {
			continue
		}
		if o.Length > p.Length {
			t.note("%s and %s begin at the same place, offset %d; the longer one is used", o.label(t.scheme), p.label(t.scheme), f.r.Origin(p.Start))
			return true
		}
		if o.Length == p.Length && slices.ContainsFunc(out, func(v tenant) bool { return v.Partition == o }) {
			return true
		}
	}
	return false
}

// partition is what fills a partition.
func (f *finder) partition(ctx context.Context, t *table, p *Partition) (tenant, error) {
	c, err := f.probe(ctx, p.Start, p.Length, p.hints())
	if err != nil {
		return tenant{}, err
	}
	v, note := c.volume(p.label(t.scheme), p.Start, p.Length, f.r)
	if note != "" {
		t.note("%s", note)
	}
	v.Partition = p
	if end := v.Start + v.own; v.own > 0 && v.Reason == "" && end > p.End() && p.End() < f.r.DriveSize() {
		v.over = end - p.End()
	}
	if p.Doubt != "" && v.told() {
		v.Doubt = append(v.Doubt, p.Doubt)
	}
	// a type is a hint: it says what an unread place holds no more than a name does
	if p.NoFiles && !v.told() && (v.Filesystem == "empty" || p.Length <= maxUseless && !strings.Contains(p.Type, "swap")) && f.r.IsRead(p.Start, min(p.Length, headSize)) && f.r.IsRead(p.End()-min(p.Length, windowSize), min(p.Length, windowSize)) {
		v.NoFiles = true
		v.Reason = fmt.Sprintf("its type (%s) says that it holds no files; %s", p.Type, v.Reason)
	} else if v.Reason != "" && !v.told() {
		v.Reason += "; its type is " + p.Type
	}
	return tenant{Volume: v, named: true}, nil
}

// maxUseless is the most that a system sets aside for itself without a filesystem:
// Microsoft reserved partitions have up to 128 MiB. Swap space carries a mark.
const maxUseless = 128 << 20

// search searches the ranges that a table leaves dark around the volumes that
// it does name, or inside them too where it is not proved, and settles which of
// all volumes are listed.
func (f *finder) search(ctx context.Context, dark []ranges.Range, inside bool) error {
	var taken ranges.Set
	for _, v := range f.known {
		if !v.told() || inside {
			continue
		}
		for _, s := range v.Places() {
			taken.Add(s.Start, s.Len())
		}
	}
	var within []ranges.Range
	for _, d := range dark {
		within = append(within, without(d, &taken)...)
	}
	s := newSearch(f.places, f.l, within, f.known)
	f.last = s
	known := len(f.known)
	if len(within) > 0 {
		if err := s.run(ctx); err != nil {
			return err
		}
	}
	if err := f.rivalsOf(ctx, s.tenants[known:]); err != nil {
		return err
	}
	found, err := f.behind(ctx, s.tenants[known:])
	if err != nil {
		return err
	}
	all := append(slices.Clone(s.tenants[:known]), found...)
	if f.known, err = (&settler{f.places, f.l}).settle(ctx, f.beside(all, inside && !f.contested), s.inner, s.unclaimed(all)); err != nil || len(within) == 0 {
		return err
	}
	if f.quiet && len(f.l.Missing) == 0 {
		return nil
	}
	f.rest = append(f.rest, s.marked(f.known)...)
	if len(f.known)+len(f.rest) > 0 { // else the drive as a whole is told of
		var taken []tenant
		for _, v := range f.rest {
			taken = append(taken, tenant{Volume: v})
		}
		f.rest = append(f.rest, s.leftover(append(taken, f.known...))...)
	}
	return nil
}

// rivalsOf holds what a search found against all else that speaks for the same
// place, where not all of the head was read.
func (f *finder) rivalsOf(ctx context.Context, found []tenant) error {
	for i := range found {
		t := &found[i]
		if f.r.IsRead(t.Start, min(t.Length, headLength)) {
			continue
		}
		c, err := f.probe(ctx, t.Start, t.Length, nil)
		if err != nil {
			return err
		}
		if c.reason == "" && c.filesystem != "" && c.filesystem != t.Filesystem {
			t.Doubt = append(t.Doubt, f.rivalWords(t.Start, &c))
		}
		t.Doubt, t.Needs = append(t.Doubt, c.doubt...), append(t.Needs, c.needs...)
	}
	return nil
}

// beside settles what becomes of partitions that no reader lists where a search
// found volumes in them: one that begins where the volume does is that volume.
// Where it begins elsewhere the volume is in doubt: it may be content of a file of
// the one that was not found, which stays in the list unless the table may be
// wrong or lays its volumes out in another table.
func (f *finder) beside(all []tenant, unproved bool) []tenant {
	var out []tenant
next:
	for i := range all {
		v := &all[i]
		if v.listed() {
			continue
		}
		for k := range all {
			n := &all[k]
			if n.named || !v.overlaps(n) {
				continue
			}
			pooled := v.Partition != nil && v.Partition.pooled()
			if !v.told() && (pooled || n.Start == v.Start) {
				f.l.note("%s (%s) is left out: the %s was found by its own structures", v.Found, v.Filesystem, n.name(f.r))
				continue next
			}
			if n.Start < v.Start {
				n.Doubt = append(n.Doubt, fmt.Sprintf("%s (%s) claims a part of its place", v.Found, v.Filesystem))
			} else {
				n.Doubt = append(n.Doubt, fmt.Sprintf("it lies in %s (%s), of whose files it may be content", v.Found, v.Filesystem))
			}
			n.Needs = append(n.Needs, f.needs(&v.Volume)...)
			if !v.told() && unproved {
				f.l.missing("%s (%s) at offset %d is left out: the %s was found by its own structures, and nothing that was read refutes either", v.Found, v.Filesystem, f.r.Origin(v.Start), n.name(f.r))
				continue next
			}
		}
		out = append(out, *v)
	}
	for i := range all {
		if all[i].listed() {
			out = append(out, all[i])
		}
	}
	return out
}

// without finds the volumes of a drive whose table is unread, empty or
// senseless: it is one bare volume, or the volumes are found by their own
// structures.
func (f *finder) without(ctx context.Context, boot *bootSector, gpt *table) error {
	c, bare, err := f.bare(ctx)
	if err != nil {
		return err
	}
	if bare && boot.read && len(c.doubt) == 0 && (c.reason != "" || c.rests == onPrimary && (headPlaces(c.family)[0].Start == 0 || !f.elsewhere())) {
		return f.bareVolume(ctx, boot, c)
	}
	before := *f.l
	f.l.Scheme, f.l.SectorSize = SchemeUnknown, f.r.Sector()
	f.l.Structures = append(f.l.Structures, boot.structure)
	if gpt != nil {
		f.l.Structures = gpt.structures
		f.l.Notes = append(f.l.Notes, gpt.notes...)
		f.incomplete(gpt)
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
	searched := f.l.Notes[len(f.l.Notes)-1]
	if bare {
		if err := f.bareVolume(ctx, boot, c); err != nil {
			return err
		}
	}
	if err := f.search(ctx, wholeDrive(f.r), true); err != nil {
		return err
	}
	switch {
	case len(f.known) == 0 && len(f.rest) == 0:
		return f.lastResort(ctx, boot, f.last)
	case bare && len(f.known) == 1 && len(f.rest) == 0 && len(f.known[0].Doubt) == 0 && len(f.l.Missing) == 0:
		// nothing else claims a byte of it: there is no table
		f.l.Notes, f.l.Structures = slices.DeleteFunc(f.l.Notes, func(n string) bool { return n == searched }), before.Structures
	}
	return nil
}

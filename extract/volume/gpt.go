package volume

import (
	"bytes"
	"fmt"
	"hash/crc32"
	"slices"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/partial"
	"fileassay/extract/ranges"
)

// gptUnits are the sector sizes a GPT may count in, in the order tried after
// the image's own.
var gptUnits = [...]int64{512, 4096, 1024, 2048}

func units(r *image.Reader) []int64 {
	out := []int64{r.Sector()}
	for _, u := range gptUnits {
		if u != r.Sector() {
			out = append(out, u)
		}
	}
	return out
}

// gptCopy is one of the two copies of a GPT: its header and its array.
type gptCopy struct {
	name   string // "primary" or "backup"
	h      gptHeader
	found  bool  // a header with the signature stands at place
	good   bool  // and passes its checks
	place  int64 // of the header, bytes; -1 where it is not known
	unread int64 // bytes of the header's sector that were not read
	fault  string

	arrayPlace int64 // bytes; -1 where it is not known
	array      partial.Bytes
	arrayGood  bool // matches the checksum of a good header
}

// readGPT reads the drive's GPT from whatever was read of its two copies; nil
// where there is no sign of one. boot tells the size of the drive where it
// holds a protective entry.
func readGPT(r *image.Reader, boot *bootSector) *table {
	g := gptReader{r: r}
	// where the primary stands tells the unit: byte 512 or byte 4096
	g.primary = g.find(units(r), func(int64) []int64 { return []int64{1} })
	try := units(r)
	if g.primary.good {
		try = []int64{g.unit}
	}
	g.backup = g.find(try, func(unit int64) []int64 { return g.backupPlaces(boot, unit) })
	g.primary.name, g.backup.name = "primary", "backup"
	shielded := boot.ok && boot.rec.sense(r.DriveSize()/step) == senseShield
	if !g.primary.found && !g.backup.found && !shielded {
		return nil
	}
	if g.unit == 0 {
		g.unit = r.Sector()
	}
	return g.table()
}

type gptReader struct {
	r       *image.Reader
	unit    int64 // 0 while unknown
	primary gptCopy
	backup  gptCopy
}

// header reads the header in sector lba of the given unit.
func (g *gptReader) header(lba, unit int64) (c gptCopy) {
	c.place, c.arrayPlace = lba*unit, -1
	buf := make([]byte, unit)
	c.unread = unreadBytes(g.r, c.place, unit)
	if _, err := g.r.ReadAt(buf, c.place); err != nil {
		c.fault = "its sector was not read"
		return c
	}
	c.h, c.found = parseGPTHeader(buf)
	switch {
	case !c.found:
		c.fault = "its sector holds no GPT signature"
	case c.h.Fault != "":
		c.fault = c.h.Fault
	case c.h.MyLBA != uint64(lba):
		c.fault = fmt.Sprintf("it says that it stands in sector %d", c.h.MyLBA)
	default:
		c.good = true
	}
	return c
}

// find gives the first good copy of those whose header may stand in the places
// that each unit has for it, or else the first that is one. That tells the
// unit, too.
func (g *gptReader) find(units []int64, places func(unit int64) []int64) gptCopy {
	first := gptCopy{place: -1, arrayPlace: -1}
	for _, unit := range units {
		for _, lba := range places(unit) {
			c := g.header(lba, unit)
			if c.good {
				g.unit = unit
				return c
			}
			if c.found && g.unit == 0 {
				g.unit = unit
			}
			if c.found && !first.found || first.place < 0 {
				first = c
			}
		}
	}
	return first
}

// tailSectors is how many of the image's last sectors are looked through for a
// backup header.
const tailSectors = 64

// backupPlaces are the sectors in which the backup header may stand: where the
// primary says, the drive's last (UEFI 5.3.2: "software must check the last LBA
// of the device"), the last one that the protective entry covers, and then the
// last sectors of the image one by one, since a case for the drive may hide
// some.
func (g *gptReader) backupPlaces(boot *bootSector, unit int64) []int64 {
	var out []int64
	add := func(lba int64) {
		if lba > 1 && lba < maxOffset/unit && !slices.Contains(out, lba) {
			out = append(out, lba)
		}
	}
	if g.primary.found && (g.unit == unit) && g.primary.h.AlternateLBA < uint64(maxOffset/unit) {
		add(int64(g.primary.h.AlternateLBA))
	}
	add(g.r.DriveSize()/unit - 1)
	if boot.ok {
		for _, e := range boot.rec.Entries {
			if e.Type == typeProtective && e.Sectors != 0xFFFFFFFF {
				add(int64(e.Start) + int64(e.Sectors) - 1)
			}
		}
	}
	for i := int64(1); i <= tailSectors; i++ {
		add(g.r.Size()/unit - i)
	}
	return out
}

// readArray reads the array of entries from a place as far as it was read.
func (g *gptReader) readArray(c *gptCopy, place, size int64) {
	if place < 0 || size <= 0 || place > maxOffset {
		return
	}
	c.arrayPlace, c.array = place, g.r.Partial(make([]byte, size), place)
}

// shape is the header whose description of the array is used: a good one, or
// the usual 128 entries of 128 bytes.
func (g *gptReader) shape() gptHeader {
	switch {
	case g.primary.good:
		return g.primary.h
	case g.backup.good:
		return g.backup.h
	}
	return gptHeader{EntryCount: 128, EntrySize: gptEntrySize}
}

// readArrays reads both arrays, each from where its own header says, or where
// it should be by the other.
func (g *gptReader) readArrays() {
	shape := g.shape()
	size := shape.arrayBytes()
	sectors := (size + g.unit - 1) / g.unit
	place := func(c *gptCopy, lba uint64) int64 {
		if n, ok := bytesAt(lba, g.unit); c.good && ok {
			return n
		}
		return -1
	}
	if g.primary.good {
		g.readArray(&g.primary, place(&g.primary, g.primary.h.EntriesLBA), size)
	} else {
		g.readArray(&g.primary, 2*g.unit, size)
	}
	switch {
	case g.backup.good:
		g.readArray(&g.backup, place(&g.backup, g.backup.h.EntriesLBA), min(size, g.backup.h.arrayBytes()))
	case g.primary.good:
		g.readArray(&g.backup, place(&g.primary, g.primary.h.AlternateLBA-min(g.primary.h.AlternateLBA, uint64(sectors))), size)
	default:
		g.readArray(&g.backup, (g.r.DriveSize()/g.unit-1-sectors)*g.unit, size)
	}
	for _, c := range []*gptCopy{&g.primary, &g.backup} {
		c.arrayGood = c.array.Len() > 0 && c.array.Whole() && g.matches(c.array.Data)
	}
}

// matches reports whether a good header vouches for the array.
func (g *gptReader) matches(array []byte) bool {
	sum := crc32.ChecksumIEEE(array)
	return g.primary.good && g.primary.h.EntriesCRC == sum || g.backup.good && g.backup.h.EntriesCRC == sum && int64(len(array)) == g.backup.h.arrayBytes()
}

// merged lays the backup's array under the unread parts of the primary's.
func (g *gptReader) merged() partial.Bytes {
	a, b := &g.primary.array, &g.backup.array
	if a.Len() == 0 {
		return *b
	}
	out := partial.Bytes{Data: bytes.Clone(a.Data)}
	held := int64(b.Len())
	for _, s := range a.Unread {
		copy(out.Data[s.Start:s.End], b.Data[min(s.Start, held):])
		for lost := range ranges.Within(b.Unread, s.Start, s.End) {
			out.Unread = ranges.Append(out.Unread, lost)
		}
		out.Unread = ranges.Append(out.Unread, ranges.Range{Start: max(s.Start, held), End: s.End})
	}
	return out
}

// table makes the partitions of the best array there is.
func (g *gptReader) table() *table {
	t := &table{scheme: SchemeGPT, unit: g.unit, base: g.r.Base()}
	g.readArrays()
	shape := g.shape()
	p, b := &g.primary, &g.backup

	var array partial.Bytes
	switch {
	case p.arrayGood && p.good:
		array, t.vouched = p.array, true
	case b.arrayGood:
		array, t.vouched = b.array, true
	case p.arrayGood:
		array, t.vouched = p.array, true
	default:
		array = g.merged()
		t.vouched = array.Len() > 0 && array.Whole() && g.matches(array.Data)
		if !t.vouched && p.array.Whole() && b.array.Whole() && !g.plausible(p.array.Data, shape) && g.plausible(b.array.Data, shape) {
			array = b.array
		}
		if !t.vouched && !g.plausible(array.Data, shape) {
			array = partial.Bytes{}
		}
	}
	t.healthy = p.good && b.good && p.arrayGood && b.arrayGood && b.place == (g.r.Size()/g.unit-1)*g.unit
	g.report(t, array)
	t.partitions = gptPartitions(array.Data, int(shape.EntrySize), g.unit)
	if !t.vouched {
		t.dark = wholeDrive(g.r)
	}
	t.settle(g.r.Size(), g.r.DriveSize())
	return t
}

// plausible reports whether an array that nothing vouches for reads like one:
// it has entries in use, and most of them have a place on the drive.
func (g *gptReader) plausible(array []byte, shape gptHeader) bool {
	good, bad := 0, 0
	for b := range slices.Chunk(array, int(shape.EntrySize)) {
		e, ok := parseGPTEntry(b)
		switch {
		case !ok || !e.used():
		case e.plausible(g.r.DriveSize() / g.unit):
			good++
		default:
			bad++
		}
	}
	return good > bad
}

// gptPartitions are the entries in use of an array, of size bytes each; they
// count in the unit.
func gptPartitions(array []byte, size int, unit int64) []Partition {
	var out []Partition
	number := 0
	for b := range slices.Chunk(array, size) {
		number++
		e, ok := parseGPTEntry(b)
		if !ok || !e.used() {
			continue
		}
		kind := gptType(e.Type.String())
		p := Partition{
			Number: number, Type: kind.name, TypeCode: e.Type.String(),
			NoFiles: kind.noFiles, Name: e.Name, GUID: e.GUID.String(),
			Bootable: e.Attributes&gptLegacyBootable != 0,
		}
		first, ok1 := bytesAt(e.First, unit)
		last, ok2 := bytesAt(e.Last, unit)
		switch {
		case !ok1 || !ok2:
			p.Problem = fmt.Sprintf("lies at sectors %d to %d, where no drive reaches", e.First, e.Last)
		case e.Last < e.First:
			p.Start = first
			p.Problem = fmt.Sprintf("ends in sector %d, before its first sector %d", e.Last, e.First)
		default:
			p.Start, p.Length = first, last-first+unit
		}
		out = append(out, p)
	}
	return out
}

// gptLegacyBootable is attribute bit 2. UEFI 5.3.3, "Defined GPT Partition
// Entry - Attributes".
const gptLegacyBootable = 1 << 2

// report says in structures and notes what was found of each copy and what
// was used. UEFI 5.3.2: what is taken from a backup must be reported.
func (g *gptReader) report(t *table, used partial.Bytes) {
	p, b := &g.primary, &g.backup
	for _, c := range []*gptCopy{p, b} {
		t.structures = append(t.structures, c.headerStructure(g.unit), c.arrayStructure(p.good || b.good))
	}
	if g.unit != g.r.Sector() {
		t.note("the GPT counts in sectors of %d bytes; the image was opened with %d", g.unit, g.r.Sector())
	}
	if !p.good {
		switch {
		case b.good:
			t.note("GPT primary header in sector 1: %s; the backup header in sector %d is used", p.fault, b.place/g.unit)
		default:
			t.note("GPT primary header in sector 1: %s", p.fault)
		}
	}
	switch {
	case b.good:
	case b.found:
		t.note("GPT backup header in sector %d: %s", b.place/g.unit, b.fault)
	default:
		t.note("no usable GPT backup header: that in sector %d could not be used: %s", b.place/g.unit, b.fault)
	}
	if p.good && b.good && (p.h.DiskGUID != b.h.DiskGUID || p.h.EntriesCRC != b.h.EntriesCRC) {
		t.note("the two copies of the GPT disagree; the %s one is used", g.usedName(used.Data))
	}
	if p.good && b.good && p.h.AlternateLBA != b.h.MyLBA {
		t.note("the GPT primary header places its backup in sector %d, it stands in sector %d", p.h.AlternateLBA, b.h.MyLBA)
	}
	switch {
	case used.Len() == 0:
		t.note("no GPT entries could be used; volumes are searched for by their own structures")
	case t.vouched:
		switch g.usedName(used.Data) {
		case "backup":
			if p.good {
				t.note("the GPT primary entries %s; the backup entries at sector %d are used", p.arrayFault(), b.arrayPlace/g.unit)
			} else {
				t.note("the GPT backup entries at sector %d are used", b.arrayPlace/g.unit)
			}
		case "primary":
			if !p.good {
				t.note("the GPT primary entries at sector %d match the backup header and are used", p.arrayPlace/g.unit)
			}
		default:
			t.note("the GPT entries were put together from both copies and match their checksum")
		}
	default:
		t.note("no header vouches for the GPT entries that are used (%s entries): partitions may be wrong or missing", g.usedName(used.Data))
		if n := total(used.Unread); n > 0 {
			t.note("%d bytes of the GPT entries were read in neither copy: up to %d partitions may be missing", n, (n+int64(g.shape().EntrySize)-1)/int64(g.shape().EntrySize))
		}
	}
}

func (g *gptReader) usedName(used []byte) string {
	same := func(a []byte) bool { return len(a) > 0 && len(used) > 0 && &a[0] == &used[0] }
	switch {
	case same(g.primary.array.Data):
		return g.primary.name
	case same(g.backup.array.Data):
		return g.backup.name
	}
	return "merged"
}

func (c *gptCopy) arrayFault() string {
	switch {
	case c.arrayPlace < 0:
		return "have no known place"
	case !c.array.Whole():
		return fmt.Sprintf("were not read in %d bytes", total(c.array.Unread))
	}
	return "fail their checksum"
}

func (c *gptCopy) headerStructure(unit int64) extract.Structure {
	s := extract.Structure{Name: "GPT " + c.name + " header", Image: c.place, Length: unit, Unread: c.unread, Health: extract.HealthRead}
	switch {
	case c.place < 0:
		s.Health, s.Length = extract.HealthUnread, 0
	case c.unread > 0:
		s.Health = extract.HealthUnread
	case !c.good:
		s.Health, s.Note = extract.HealthDamaged, c.fault
	}
	return s
}

// arrayStructure is the health of the array; headed is set where some header
// vouches for an array.
func (c *gptCopy) arrayStructure(headed bool) extract.Structure {
	s := extract.Structure{Name: "GPT " + c.name + " entries", Image: c.arrayPlace, Length: int64(c.array.Len()), Unread: total(c.array.Unread), Health: extract.HealthRead}
	switch {
	case c.arrayPlace < 0 || s.Unread == s.Length:
		s.Health = extract.HealthUnread
	case s.Unread > 0:
		s.Health = extract.HealthPartly
	case !c.arrayGood && headed:
		s.Health, s.Note = extract.HealthDamaged, "fails its checksum"
	case !c.arrayGood:
		s.Health, s.Note = extract.HealthDamaged, "no readable header vouches for it"
	}
	return s
}

// total is the number of bytes in disjoint ranges.
func total(list []ranges.Range) (n int64) {
	for _, r := range list {
		n += r.Len()
	}
	return n
}

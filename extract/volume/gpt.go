package volume

import (
	"bytes"
	"fmt"
	"slices"

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

// gptCopy is one copy of a GPT: its header and its array.
type gptCopy struct {
	name   string // "primary" or "backup"
	h      gptHeader
	found  bool  // a header with the signature stands at place
	good   bool  // and passes its checks
	place  int64 // of the header, bytes; -1 where it is not known
	unread int64 // bytes of the header's sector that were not read
	fault  string

	shape      gptHeader // whose description of the array is used: its own if good, else the other's or the usual one
	arrayPlace int64     // bytes; -1 where it is not known
	array      partial.Bytes
	arrayGood  bool // matches the checksum of its own header, or, where that is not good, of another copy's
}

// readGPT reads the drive's GPT from whatever was read of its two copies; nil
// where there is no sign of one. boot tells the size of the drive where it
// holds a protective entry.
func readGPT(r *image.Reader, boot *bootSector) *table {
	g := gptReader{r: r}
	// where the primary stands tells the unit: byte 512 or byte 4096
	g.primary = g.find(units(r), func(int64) []int64 { return []int64{1} }, 1)[0]
	try, most := units(r), maxBackups
	if g.primary.good {
		try, most = []int64{g.unit}, 1
	}
	g.backups = g.find(try, func(unit int64) []int64 { return g.backupPlaces(boot, unit) }, most)
	if !g.primary.found && g.unit != 0 { // the backup tells where the primary would stand
		g.primary = g.header(1, g.unit)
	}
	g.primary.name = "primary"
	for i := range g.backups {
		g.backups[i].name = "backup"
	}
	shielded := boot.ok && boot.rec.sense(r.DriveSize()/step) == senseShield
	if !g.primary.found && !g.backups[0].found && !shielded {
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
	// backups has one at least: that which is used, and where the primary header
	// does not say where its backup stands, the others that differ from it.
	backups []gptCopy
}

// maxBackups bounds the backups that are held against each other.
const maxBackups = 4

// header reads the header in sector lba of the given unit.
func (g *gptReader) header(lba, unit int64) (c gptCopy) {
	c.place, c.arrayPlace = lba*unit, -1
	c.unread = unreadBytes(g.r, c.place, unit)
	head := window(g.r, make([]byte, unit), c.place)
	c.h, c.found = parseGPTHeader(head)
	short := int64(len(head)) < unit // nothing but the header itself is needed
	switch {
	case short && (!c.found || int64(c.h.HeaderSize) > int64(len(head))):
		c.found, c.fault = false, "its sector was not read"
	case !c.found:
		c.fault = "its sector holds no GPT signature"
	case c.h.Fault != "":
		c.fault = c.h.Fault
	case c.h.MyLBA != uint64(lba):
		c.fault = fmt.Sprintf("it says that it stands in sector %d", c.h.MyLBA)
	case c.h.EntriesLBA >= uint64(g.r.DriveSize()/unit):
		c.fault = fmt.Sprintf("it places the entries in sector %d, past the end of the drive", c.h.EntriesLBA)
	default:
		c.good = true
	}
	return c
}

// find gives the good copies of those whose header may stand in the places
// that each unit has for it, as many as are wanted and as differ, or else the
// first that is one, or else the first place. That tells the unit, too.
func (g *gptReader) find(units []int64, places func(unit int64) []int64, most int) []gptCopy {
	var good []gptCopy
	first := gptCopy{place: -1, arrayPlace: -1}
	for _, unit := range units {
		for _, lba := range places(unit) {
			c := g.header(lba, unit)
			same := func(o gptCopy) bool { return o.h.sameArray(&c.h) && o.h.DiskGUID == c.h.DiskGUID }
			if c.good && !slices.ContainsFunc(good, same) {
				g.unit = unit
				if good = append(good, c); len(good) == most {
					return good
				}
			}
			if c.found && g.unit == 0 {
				g.unit = unit
			}
			if c.found && !first.found || first.place < 0 {
				first = c
			}
		}
		if len(good) > 0 {
			return good
		}
	}
	return []gptCopy{first}
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

// readArrays reads the arrays, each from where its own header says, or where
// it should be by the other.
func (g *gptReader) readArrays() {
	p, b := &g.primary, &g.backups[0]
	shape := gptHeader{EntryCount: 128, EntrySize: gptEntrySize} // the usual one
	switch {
	case p.good:
		shape = p.h
	case b.good:
		shape = b.h
	}
	sectors := uint64(shape.arrayBytes()+g.unit-1) / uint64(g.unit)
	g.readArray(p, shape, 2)
	switch {
	case p.good:
		g.readArray(b, shape, p.h.AlternateLBA-min(p.h.AlternateLBA, sectors))
	default:
		end := uint64(g.r.DriveSize() / g.unit)
		g.readArray(b, shape, end-min(end, 1+sectors))
	}
	for i := range g.backups[1:] {
		g.readArray(&g.backups[1+i], shape, 0)
	}
	p.arrayGood = p.good && p.h.vouches(p.array) || !p.good && b.good && b.h.vouches(p.array)
	for i := range g.backups {
		c := &g.backups[i]
		c.arrayGood = c.good && c.h.vouches(c.array) || !c.good && p.good && p.h.vouches(c.array)
	}
}

// readArray reads the array of a copy as far as it was read: where and what its
// own header says if that is good, else by the given shape and sector.
func (g *gptReader) readArray(c *gptCopy, shape gptHeader, sector uint64) {
	if c.shape = shape; c.good {
		c.shape, sector = c.h, c.h.EntriesLBA
	}
	at, ok := bytesAt(sector, g.unit)
	if size := c.shape.arrayBytes(); ok && at > 0 && size > 0 {
		c.arrayPlace, c.array = at, g.r.Partial(make([]byte, size), at)
	}
}

// current is the array that drivers follow, and whose it is, as far as what was
// read of the primary proves it: by the checksum in its header, or by all of
// its entries, which a backup's header vouches for. ok is false where nothing
// does.
func (g *gptReader) current() (array partial.Bytes, whose string, ok bool) {
	p, b := &g.primary, &g.backups[0]
	if !p.good {
		for i := range g.backups {
			if c := &g.backups[i]; c.good && c.h.vouches(p.array) {
				g.backups[0], g.backups[i] = g.backups[i], g.backups[0]
				p.shape, p.arrayGood = c.h, true
				return p.array, p.name, true
			}
		}
		return array, "", false
	}
	for _, try := range []struct {
		array partial.Bytes
		whose string
	}{
		{p.array, p.name}, {b.array, b.name},
		{filled(p.array, b.array), mergedCopies}, {filled(b.array, p.array), mergedCopies},
	} {
		if p.h.vouches(try.array) {
			return try.array, try.whose, true
		}
	}
	return array, "", false
}

// mergedCopies names an array that was put together from both copies.
const mergedCopies = "merged"

// filled is the array with another copy in place of what was not read of it.
func filled(a, b partial.Bytes) partial.Bytes {
	if a.Len() != b.Len() || a.Whole() {
		return a
	}
	out := partial.Bytes{Data: bytes.Clone(a.Data), Unread: slices.Clone(a.Unread)}
	out.Fill(b)
	return out
}

// table makes the partitions of what the copies say.
func (g *gptReader) table() *table {
	t := &table{scheme: SchemeGPT, unit: g.unit, base: g.r.Origin(0)}
	g.readArrays()
	array, whose, proved := g.current()
	p, b := &g.primary, &g.backups[0]

	f := followed{g: g, slots: g.slots(array, &p.shape, true)}
	if !proved {
		f.slots = g.slots(p.array, &p.shape, false)
	}
	f.own = f.used()
	f.hold(array, proved)
	if !proved {
		whose = f.whose()
	}
	t.vouched = proved && !f.differ
	t.healthy = t.vouched && p.good && b.good && p.arrayGood && b.arrayGood && b.place == (g.r.Size()/g.unit-1)*g.unit
	t.end = g.end()
	g.report(t, &f, whose, proved)
	t.partitions, t.rivals = f.partitions()
	if !t.vouched {
		t.dark = wholeDrive(g.r)
	}
	t.settle(g.r.Size(), g.r.DriveSize())
	return t
}

// end is where the drive ends by the headers: the backup stands in its last sector
// (UEFI 5.3.1). It is 0 where none was read that passes its checks, where the
// primary puts the backup in a sector that was read and holds none, and where the
// two do not name each other.
func (g *gptReader) end() int64 {
	p, b := &g.primary, &g.backups[0]
	h := &p.h
	switch {
	case p.good && b.good && !p.h.sameTable(&b.h):
		return 0
	case b.good:
		h = &b.h
	case !p.good:
		return 0
	}
	last := max(h.MyLBA, h.AlternateLBA)
	at, ok := bytesAt(last, g.unit)
	if !ok || last <= h.LastUsable || !b.good && g.r.IsRead(at, g.unit) {
		return 0
	}
	return at + g.unit
}

// gptPartition is an entry in use as a partition; it counts in the unit.
func gptPartition(e *gptEntry, number int, unit int64) Partition {
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
	return p
}

// gptLegacyBootable is attribute bit 2. UEFI 5.3.3, "Defined GPT Partition
// Entry - Attributes".
const gptLegacyBootable = 1 << 2

// total is the number of bytes in disjoint ranges.
func total(list []ranges.Range) (n int64) {
	for _, r := range list {
		n += r.Len()
	}
	return n
}

package volume

import (
	"cmp"
	"fmt"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// bootSector is what became of reading a sector as a boot record.
type bootSector struct {
	read bool // its bytes were read
	ok   bool // it carries the signature
	zero bool // it was read and holds nothing but zeros
	rec  bootRecord
	// structure is its health; its note says why it is not ok.
	structure extract.Structure
}

func readBootSector(r *image.Reader, name string, at int64) bootSector {
	b := bootSector{structure: extract.Structure{Name: name, Image: at, Length: bootRecordSize, Health: extract.HealthRead}}
	buf := make([]byte, bootRecordSize)
	if _, err := r.ReadAt(buf, at); err != nil {
		b.structure.Health, b.structure.Unread = extract.HealthUnread, unreadBytes(r, at, bootRecordSize)
		return b
	}
	b.read, b.zero = true, isZero(buf)
	if b.rec, b.ok = parseBootRecord(buf); !b.ok {
		b.structure.Health, b.structure.Note = extract.HealthDamaged, "does not end in the signature 55 AA"
	}
	return b
}

// maxLogical bounds the logical drives of one extended partition; a chain of
// distinct records longer than that is no chain that anyone made.
const maxLogical = 1024

// readMBR reads the partitions that the boot record names, in units of the
// given bytes, and follows the chains of its extended partitions.
func readMBR(r *image.Reader, boot *bootSector, unit int64) *table {
	t := &table{scheme: SchemeMBR, unit: unit, base: r.Base()}
	t.structures = append(t.structures, boot.structure)
	number := 5 // of the first logical drive
	for i, e := range boot.rec.Entries {
		if !e.used() {
			if e.Start != 0 && e.Sectors != 0 {
				t.note("MBR partition %d has the type of an unused entry; its place (sector %d, %d sectors) is left aside", i+1, e.Start, e.Sectors)
			}
			continue
		}
		p := e.partition(i+1, 0, unit)
		p.Container, p.Protective = e.extended(), e.Type == typeProtective
		if e.Status&0x7F != 0 {
			p.Problem = fmt.Sprintf("its status byte 0x%02X is none that a table holds", e.Status)
		}
		t.partitions = append(t.partitions, p)
		if p.Container && p.Length > 0 && p.Start > 0 && p.Start < r.DriveSize() {
			c := chain{t: t, container: p, number: number}
			c.follow(r)
			number = c.number
		}
	}
	t.settle(r.Size(), r.DriveSize())
	return t
}

// partition is the entry with its place counted from base.
func (e bootEntry) partition(number int, base, unit int64) Partition {
	kind := mbrType(e.Type)
	return Partition{
		Number:   number,
		Start:    base + int64(e.Start)*unit,
		Length:   int64(e.Sectors) * unit,
		Type:     kind.name,
		TypeCode: fmt.Sprintf("0x%02X", e.Type),
		NoFiles:  kind.noFiles,
		Bootable: e.Status&0x80 != 0,
	}
}

// chain follows the extended boot records of one container. A record's entry
// for a logical drive counts from the record itself, its link from the start
// of the container (common practice, no source).
type chain struct {
	t         *table
	container Partition
	number    int // of the next logical drive
}

func (c *chain) follow(r *image.Reader) {
	seen := map[int64]bool{}
	at := c.container.Start
	known := at // everything of the container below this is accounted for
	for found := 0; ; {
		if seen[at] {
			c.t.note("the chain of logical drives returns to sector %d, where it was before; it ends after %d logical drives", at/c.t.unit, found)
			break
		}
		if found == maxLogical || len(seen) == 2*maxLogical {
			c.t.note("the chain of logical drives goes on after %d drives at sector %d and is followed no further", found, at/c.t.unit)
			c.dark(known)
			break
		}
		seen[at] = true
		b := readBootSector(r, fmt.Sprintf("extended boot record %d", len(seen)), at)
		c.t.structures = append(c.t.structures, b.structure)
		if !b.ok {
			c.broken(found, at, known, cmp.Or(b.structure.Note, "this sector was not read"))
			break
		}
		next, n, end := c.record(&b.rec, at)
		found += n
		known = max(known, end, at+bootRecordSize)
		if next < 0 {
			break
		}
		if next == c.container.Start || next >= c.container.End() || next >= r.DriveSize() {
			if seen[next] {
				at = next
				continue // says that it is a loop
			}
			c.t.note("the chain of logical drives points from sector %d to sector %d, outside its extended partition; it ends after %d logical drives", at/c.t.unit, next/c.t.unit, found)
			c.dark(known)
			break
		}
		at = next
	}
}

// record takes one extended boot record at the given place: it adds its
// logical drives and returns the place of the next record, -1 at the end of
// the chain, the number of drives it added and where the last of them ends.
func (c *chain) record(rec *bootRecord, at int64) (next int64, found int, end int64) {
	next = -1
	for i, e := range rec.Entries {
		if !e.used() || e.Sectors == 0 {
			continue
		}
		if e.extended() {
			if next < 0 {
				next = c.container.Start + int64(e.Start)*c.t.unit
			} else {
				c.t.note("the extended boot record at sector %d links to two further records; the second, sector %d, is left aside", at/c.t.unit, c.container.Start/c.t.unit+int64(e.Start))
			}
			continue
		}
		p := e.partition(c.number, at, c.t.unit)
		if i >= 2 && (p.Start < c.container.Start || p.End() > c.container.End()) {
			continue // the last two entries mean nothing, and some writers leave old ones there
		}
		p.Logical = true
		if e.Status&0x7F != 0 {
			p.Problem = fmt.Sprintf("its status byte 0x%02X is none that a table holds", e.Status)
		} else if p.End() > c.container.End() {
			p.Problem = fmt.Sprintf("reaches to offset %d, past the end of its extended partition at %d", c.t.base+p.End(), c.t.base+c.container.End())
		}
		c.number++
		found++
		end = max(end, p.End())
		c.t.partitions = append(c.t.partitions, p)
	}
	return next, found, end
}

// broken says that the chain ends at a record that cannot be used.
func (c *chain) broken(found int, at, known int64, why string) {
	drives := "logical drives"
	if found == 1 {
		drives = "logical drive"
	}
	c.t.note("%d %s found, chain unreadable at sector %d: %s", found, drives, at/c.t.unit, why)
	c.dark(known)
}

// dark marks the rest of the container as a place for unnamed volumes.
func (c *chain) dark(from int64) {
	if end := c.container.End(); from < end {
		c.t.dark = append(c.t.dark, ranges.Range{Start: from, End: end})
	}
}

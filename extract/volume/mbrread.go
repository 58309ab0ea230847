package volume

import (
	"fmt"

	"fileassay/extract"
	"fileassay/extract/image"
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

// readMBR reads the partitions that the boot record names, in units of the
// given bytes, and follows the chains of its extended partitions.
func readMBR(r *image.Reader, boot *bootSector, unit int64) *table {
	t := &table{scheme: SchemeMBR, unit: unit, base: r.Origin(0)}
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

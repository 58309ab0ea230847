package volume

import "encoding/binary"

// bootRecord is the partition table of a master boot record, and of the
// extended boot records that chain logical drives. UEFI 5.2.1, "Legacy Master
// Boot Record"; the extended record is common practice, no source.
type bootRecord struct {
	Entries [4]bootEntry // offset 446
}

// bootEntry is one of its 16-byte entries. UEFI 5.2.1, table "Legacy MBR
// Partition Record". The cylinder-head-sector fields are left aside: no drive
// of the last decades means them.
type bootEntry struct {
	Status  byte   // offset 0: 0x80 bootable, 0x00 not
	Type    byte   // offset 4
	Start   uint32 // offset 8, sectors
	Sectors uint32 // offset 12
}

const (
	bootRecordSize  = 512
	bootEntriesAt   = 446
	bootEntrySize   = 16
	bootSignatureAt = 510
)

// Partition types of an MBR with a meaning of their own here.
const (
	typeExtendedCHS   = 0x05
	typeExtendedLBA   = 0x0F
	typeExtendedLinux = 0x85
	typeProtective    = 0xEE // UEFI 5.2.3
)

// parseBootRecord decodes a boot record; ok is false where it has not 512 bytes
// or does not end in the signature.
func parseBootRecord(b []byte) (rec bootRecord, ok bool) {
	if len(b) < bootRecordSize || b[bootSignatureAt] != 0x55 || b[bootSignatureAt+1] != 0xAA {
		return rec, false
	}
	for i := range rec.Entries {
		e := b[bootEntriesAt+i*bootEntrySize:]
		rec.Entries[i] = bootEntry{
			Status:  e[0],
			Type:    e[4],
			Start:   binary.LittleEndian.Uint32(e[8:]),
			Sectors: binary.LittleEndian.Uint32(e[12:]),
		}
	}
	return rec, true
}

// used reports whether the entry is in use. A type of zero means that it is
// not, whatever else stands in it.
func (e bootEntry) used() bool { return e.Type != 0 }

// extended reports whether the entry is a container of logical drives.
func (e bootEntry) extended() bool {
	return e.Type == typeExtendedCHS || e.Type == typeExtendedLBA || e.Type == typeExtendedLinux
}

// plausible reports whether an entry in use could be one of a table rather than
// program code: its status is one of two values and it has a place on a drive
// of the given sectors.
func (e bootEntry) plausible(sectors int64) bool {
	return e.Status&0x7F == 0 && e.Sectors > 0 && e.Start > 0 && int64(e.Start) < sectors
}

// sense is what a boot record makes as a partition table.
type sense uint8

const (
	senseEmpty  sense = iota // no entry in use
	senseNone                // entries that no table would hold
	senseMixed               // some entries could be a table's, some not
	senseTable               // every entry in use could be a table's
	senseShield              // the protective record of a GPT, alone or with others
)

// sense judges the record on a drive of so many sectors.
func (rec *bootRecord) sense(sectors int64) sense {
	var good, bad int
	for _, e := range rec.Entries {
		switch {
		case !e.used():
		case e.Type == typeProtective && e.Start == 1:
			return senseShield
		case e.plausible(sectors):
			good++
		default:
			bad++
		}
	}
	switch {
	case good == 0 && bad == 0:
		return senseEmpty
	case good == 0:
		return senseNone
	case bad > 0:
		return senseMixed
	}
	return senseTable
}

package volume

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"strings"

	"fileassay/extract"
	"fileassay/extract/image"
)

// apmEntry is an entry of an Apple partition map: one block of it. Inside
// Macintosh: Devices, chapter 3 "SCSI Manager", "The Partition Map", type
// Partition. Everything is big-endian.
type apmEntry struct {
	MapBlocks uint32 // offset 4: pmMapBlkCnt, entries in the map
	Start     uint32 // offset 8: pmPyPartStart, blocks
	Blocks    uint32 // offset 12: pmPartBlkCnt
	Name      string // offset 16: pmPartName, 32 bytes
	Type      string // offset 48: pmParType, 32 bytes
}

const (
	apmEntrySize     = 512
	apmSignature     = "PM" // pmSig
	driverSignature  = "ER" // sbSig of the driver descriptor in block 0
	maxAPMEntries    = 1024
	apmTypeMap       = "Apple_partition_map"
	apmTypeFree      = "Apple_Free"
	apmTypeVoid      = "Apple_Void"
	apmTypeScratch   = "Apple_Scratch"
	apmDriverPrefix  = "Apple_Driver"
	apmPatchesType   = "Apple_Patches"
	apmBlockSizeInER = 2 // sbBlkSize
)

// parseAPMEntry decodes an entry of the map; ok is false without its signature.
func parseAPMEntry(b []byte) (e apmEntry, ok bool) {
	if len(b) < apmEntrySize || string(b[:2]) != apmSignature {
		return e, false
	}
	be := binary.BigEndian
	return apmEntry{
		MapBlocks: be.Uint32(b[4:]),
		Start:     be.Uint32(b[8:]),
		Blocks:    be.Uint32(b[12:]),
		Name:      cString(b[16:48]),
		Type:      cString(b[48:80]),
	}, true
}

// cString is the text up to the first NUL, made printable.
func cString(b []byte) string {
	b, _, _ = bytes.Cut(b, []byte{0})
	return strings.ToValidUTF8(string(b), "\uFFFD")
}

// apmUnits are the block sizes a map may count in.
var apmUnits = [...]int64{512, 2048, 1024, 4096}

// readAPM reads the drive's Apple partition map; nil where there is no sign of
// one. Its block size is where its entries stand: every entry is one block,
// from block 1 on. The entry of any block tells how many there are, so the map
// is used as far as it was read.
func readAPM(r *image.Reader) *table {
	var best *table
	for _, unit := range apmUnits {
		t := readAPMIn(r, unit)
		if t != nil && (best == nil || len(t.partitions) > len(best.partitions)) {
			best = t
		}
	}
	return best
}

func readAPMIn(r *image.Reader, unit int64) *table {
	t := &table{scheme: SchemeAPM, unit: unit, base: r.Base()}
	count, lost := int64(0), int64(0)
	buf := make([]byte, apmEntrySize)
	itself := false // an entry describes the map itself, at block 1
	limit := min(int64(maxAPMEntries), r.DriveSize()/unit-1)
	for i := int64(1); i <= limit; i++ {
		if count > 0 && i > count || count == 0 && i > 64 {
			break
		}
		if _, err := r.ReadAt(buf, i*unit); err != nil {
			lost++
			continue
		}
		e, ok := parseAPMEntry(buf)
		if !ok {
			if count == 0 {
				return nil // read, and no entry: whatever stood before was unread
			}
			t.note("block %d of the Apple partition map holds no entry", i)
			t.dark = wholeDrive(r)
			continue
		}
		if count == 0 {
			count = int64(e.MapBlocks)
		}
		itself = itself || e.Type == apmTypeMap && e.Start == 1
		t.partitions = append(t.partitions, e.partition(int(i), unit))
	}
	if count == 0 || !itself && lost == 0 {
		return nil
	}
	if count > limit {
		t.note("the Apple partition map says that it has %d entries; %d are followed", count, limit)
	}
	if lost > 0 {
		t.note("%d of %d blocks of the Apple partition map were not read: partitions may be missing; volumes are searched for outside the known ones", lost, count)
		t.dark = wholeDrive(r)
	}
	s := extract.Structure{Name: "Apple partition map", Image: unit, Length: min(count, limit) * unit, Health: extract.HealthRead}
	if s.Unread = unreadBytes(r, s.Image, s.Length); s.Unread > 0 {
		s.Health = extract.HealthPartly
	}
	t.structures = []extract.Structure{driverStructure(r, unit), s}
	t.settle(r.Size(), r.DriveSize())
	return t
}

func (e *apmEntry) partition(number int, unit int64) Partition {
	p := Partition{
		Number: number, Start: int64(e.Start) * unit, Length: int64(e.Blocks) * unit,
		Type: apmTypeName(e.Type), TypeCode: e.Type, Name: e.Name,
	}
	switch {
	case e.Type == apmTypeMap:
		p.Protective = true
	case e.Type == apmTypeFree, e.Type == apmTypeVoid, e.Type == apmTypeScratch:
		p.Free = true
	case e.Type == apmPatchesType, strings.HasPrefix(e.Type, apmDriverPrefix):
		p.NoFiles = true
	}
	return p
}

func apmTypeName(t string) string {
	switch t {
	case "Apple_HFS":
		return "Apple HFS or HFS+"
	case "Apple_HFSX":
		return "Apple HFSX"
	case apmTypeMap:
		return "Apple partition map"
	case apmTypeFree:
		return "free space"
	}
	if t == "" {
		return "no type"
	}
	return fmt.Sprintf("type %s", t)
}

// driverStructure is the health of the driver descriptor in block 0. Inside
// Macintosh: Devices, type Block0.
func driverStructure(r *image.Reader, unit int64) extract.Structure {
	s := extract.Structure{Name: "driver descriptor", Length: apmEntrySize, Health: extract.HealthRead}
	buf := make([]byte, apmEntrySize)
	switch _, err := r.ReadAt(buf, 0); {
	case err != nil:
		s.Health, s.Unread = extract.HealthUnread, unreadBytes(r, 0, apmEntrySize)
	case string(buf[:2]) != driverSignature:
		s.Health, s.Note = extract.HealthDamaged, "has not its signature"
	case int64(binary.BigEndian.Uint16(buf[apmBlockSizeInER:])) != unit:
		s.Note = fmt.Sprintf("says blocks of %d bytes; the map counts in %d", binary.BigEndian.Uint16(buf[apmBlockSizeInER:]), unit)
	}
	return s
}

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
	m := apmReader{
		r: r, unit: unit, limit: min(int64(maxAPMEntries), r.DriveSize()/unit-1),
		t: &table{scheme: SchemeAPM, unit: unit, base: r.Origin(0)},
	}
	if !m.read() {
		return nil
	}
	m.judge()
	count := m.count()
	s := extract.Structure{Name: "Apple partition map", Image: unit, Length: count * unit, Health: extract.HealthRead}
	if s.Unread = unreadBytes(r, s.Image, s.Length); s.Unread > 0 {
		s.Health = extract.HealthPartly
	} else if m.disagree {
		s.Health, s.Note = extract.HealthDisagrees, "its entries say different things of their number"
	}
	m.t.structures = []extract.Structure{driverStructure(r, unit), s}
	m.t.settle(r.Size(), r.DriveSize())
	return m.t
}

// apmReader reads a map of blocks of one size.
type apmReader struct {
	r     *image.Reader
	t     *table
	unit  int64
	limit int64 // the most entries that are followed

	least    int64   // the least number of entries that one of them says there are
	most     int64   // and the most
	last     int64   // the last block that holds an entry
	lost     int64   // blocks that were not read
	holes    []int64 // blocks that were read and hold none
	itself   bool    // an entry describes the map itself, at block 1
	disagree bool    // on the number
}

// read takes the entries; it reports whether they are a map.
func (m *apmReader) read() bool {
	buf := make([]byte, apmEntrySize)
	for i := int64(1); i <= m.limit; i++ {
		past := m.most > 0 && i > m.most // an entry that stands there contradicts the others
		if m.most == 0 && i > 64 {
			break
		}
		_, err := m.r.ReadAt(buf, i*m.unit)
		if past && err != nil {
			break
		}
		if err != nil {
			m.lost++
			continue
		}
		e, ok := parseAPMEntry(buf)
		if !ok {
			if past {
				break
			}
			if m.last == 0 {
				return false // read, and no entry: whatever stood before was unread
			}
			if m.most == 0 {
				break
			}
			m.holes = append(m.holes, i)
			continue
		}
		m.last = i
		m.says(i, int64(e.MapBlocks))
		m.itself = m.itself || e.Type == apmTypeMap && e.Start == 1
		m.t.partitions = append(m.t.partitions, e.partition(int(i), m.unit))
	}
	return m.last > 0 && (m.itself || m.lost > 0)
}

// says takes what entry i says of the number of entries. One that is less than
// its own number, or more than a drive has, counts for nothing.
func (m *apmReader) says(i, count int64) {
	if count < i || count > m.limit {
		m.disagree = true
		m.t.note("entry %d of the Apple partition map says that it has %d entries, which cannot be", i, count)
		return
	}
	if m.most == 0 {
		m.least = count
	}
	m.disagree = m.disagree || m.most > 0 && count != m.most
	m.least, m.most = min(m.least, count), max(m.most, count)
}

// count is how many entries are followed.
func (m *apmReader) count() int64 { return max(m.most, m.last) }

// judge says what the entries leave open: where they do not account for the
// drive it is dark.
func (m *apmReader) judge() {
	for _, i := range m.holes {
		if i <= m.least {
			m.open("block %d of the Apple partition map holds no entry", i)
		}
	}
	if m.disagree {
		m.open("the entries of the Apple partition map disagree on their number; %d are followed, and volumes are searched for outside them", m.count())
	}
	for i := range m.t.partitions {
		p := &m.t.partitions[i]
		if m.least > 0 && int64(p.Number) > m.least {
			p.Doubt = fmt.Sprintf("an entry of the map says that it has %d entries, which leaves this one out", m.least)
		}
		switch {
		case p.Free:
		case p.Length == 0, p.Start == 0, p.End() > m.r.DriveSize(), p.TypeCode == "":
			m.open("entry %d of the Apple partition map makes no sense (block %d, %d blocks): volumes are searched for outside the others", p.Number, p.Start/m.unit, p.Length/m.unit)
		}
	}
	if m.lost > 0 {
		m.open("%d of %d blocks of the Apple partition map were not read: partitions may be missing; volumes are searched for outside the known ones", m.lost, m.count())
	}
}

// open says why the map does not account for the whole drive.
func (m *apmReader) open(format string, args ...any) {
	m.t.note(format, args...)
	m.t.dark, m.t.broken = wholeDrive(m.r), true
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

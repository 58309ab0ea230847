package fat

import (
	"encoding/binary"
	"time"
)

// Types of slots. Section 6.2.1 and the sections named here.
const (
	typeEnd    = 0x00 // 6.2.1.1: no slot from here on is in use
	typeBitmap = 0x81 // 7.1
	typeUpcase = 0x82 // 7.2
	typeLabel  = 0x83 // 7.3
	typeFile   = 0x85 // 7.4
	typeStream = 0xC0 // 7.6
	typeName   = 0xC1 // 7.7

	bitInUse     = 0x80 // 6.2.1.4
	bitSecondary = 0x40 // 6.2.1.3: TypeCategory
	bitBenign    = 0x20 // 6.2.1.2: TypeImportance; a critical one must be understood
)

func inUse(b []byte) bool     { return b[0]&bitInUse != 0 }
func secondary(b []byte) bool { return b[0]&bitSecondary != 0 }

// fileSlot is the first slot of a set. Section 7.4.
type fileSlot struct {
	Secondaries int    // offset 1
	Checksum    uint16 // offset 2, of the set
	Attributes  uint16 // offset 4
	Modified    uint32 // offset 12
	Modified10  uint8  // offset 21, in 10 ms
	ModifiedUTC uint8  // offset 23
}

func parseFile(b []byte) fileSlot {
	le := binary.LittleEndian
	return fileSlot{int(b[1]), le.Uint16(b[2:]), le.Uint16(b[4:]), le.Uint32(b[12:]), b[21], b[23]}
}

// modified is the time of the last write; local says that the offset from UTC
// is not known. Sections 7.4.8 to 7.4.10.
func (f *fileSlot) modified() (t time.Time, local bool) {
	t = dosTime(uint16(f.Modified>>16), uint16(f.Modified), f.Modified10)
	if t.IsZero() {
		return t, false
	}
	if f.ModifiedUTC&0x80 == 0 {
		return t, true
	}
	quarters := int8(f.ModifiedUTC<<1) >> 1 // 7 bits with sign
	return t.Add(-time.Duration(quarters) * 15 * time.Minute), false
}

// streamSlot is the second slot of a set. Section 7.6.
type streamSlot struct {
	Flags      uint8  // offset 1
	NameLength int    // offset 3, units
	NameHash   uint16 // offset 4
	Valid      uint64 // offset 8
	First      uint32 // offset 20
	Length     uint64 // offset 24
}

const (
	flagAllocated  = 1 // 6.3.4.1: there may be clusters
	flagContiguous = 2 // 6.3.4.2: NoFatChain
)

func parseStream(b []byte) streamSlot {
	le := binary.LittleEndian
	return streamSlot{b[1], int(b[3]), le.Uint16(b[4:]), le.Uint64(b[8:]), le.Uint32(b[20:]), le.Uint64(b[24:])}
}

const nameUnits = 15 // of a name slot; section 7.7.3

// appendName adds the units of a name slot.
func appendName(units []uint16, b []byte) []uint16 {
	for i := range nameUnits {
		units = append(units, binary.LittleEndian.Uint16(b[2+2*i:]))
	}
	return units
}

// placed is a slot that says where something lies: the bitmap (section 7.1) or
// the up-case table (7.2).
type placed struct {
	Flags    uint8  // offset 1; of a bitmap, bit 0 is which table it goes with
	Checksum uint32 // offset 4; of an up-case table
	First    uint32 // offset 20
	Length   uint64 // offset 24
}

func parsePlaced(b []byte) placed {
	le := binary.LittleEndian
	return placed{b[1], le.Uint32(b[4:]), le.Uint32(b[20:]), le.Uint64(b[24:])}
}

// addChecksum takes a slot into the checksum of its set; of the first slot the
// checksum itself is left out. Section 6.3.3, figure 2.
func addChecksum(sum uint16, b []byte, first bool) uint16 {
	for i, c := range b[:slotSize] {
		if first && (i == 2 || i == 3) {
			continue
		}
		sum = (sum<<15 | sum>>1) + uint16(c)
	}
	return sum
}

// nameHash is the hash of an up-cased name. Section 7.6.4, figure 4.
func nameHash(units []uint16, up upcase) uint16 {
	var sum uint16
	for _, u := range units {
		u = up.unit(u)
		sum = (sum<<15 | sum>>1) + u&0xFF
		sum = (sum<<15 | sum>>1) + u>>8
	}
	return sum
}

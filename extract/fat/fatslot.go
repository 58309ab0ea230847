package fat

import (
	"encoding/binary"
	"time"
)

// Attributes of an entry. Overview, "FAT Directory Structure", DIR_Attr.
const (
	attrLabel    = 0x08
	attrFolder   = 0x10
	attrReserved = 0xC0
	attrLong     = 0x0F // together: a slot of a long name
	attrLongMask = 0x3F
)

// First bytes of a slot with a meaning of their own. Overview, DIR_Name[0].
const (
	slotEnd     = 0x00 // no slot from here on is in use
	slotDeleted = 0xE5
	slotKanji   = 0x05 // stands for 0xE5, which begins names in Shift JIS
)

// shortEntry is the slot of a file or folder. Overview, "FAT Directory
// Structure".
type shortEntry struct {
	Name  [11]byte // offset 0
	Attr  byte     // offset 11
	Case  byte     // offset 12: bit 3 lower-case base, bit 4 lower-case extension; common practice
	First uint32   // offset 20 (high 16 bits) and 26 (low)
	Clock uint16   // offset 22
	Date  uint16   // offset 24
	Size  uint32   // offset 28
}

// parseShort decodes a slot of 32 bytes.
func parseShort(b []byte) shortEntry {
	le := binary.LittleEndian
	e := shortEntry{
		Attr:  b[11],
		Case:  b[12],
		First: uint32(le.Uint16(b[20:]))<<16 | uint32(le.Uint16(b[26:])),
		Clock: le.Uint16(b[22:]),
		Date:  le.Uint16(b[24:]),
		Size:  le.Uint32(b[28:]),
	}
	copy(e.Name[:], b)
	return e
}

// raw is the name as its bytes in the code page.
func (e *shortEntry) raw() string {
	name := e.Name
	if name[0] == slotKanji {
		name[0] = slotDeleted
	}
	return string(name[:])
}

// modified is the time of the last write, without zone.
func (e *shortEntry) modified() time.Time { return dosTime(e.Date, e.Clock, 0) }

// sensible reports whether the slot can be an entry: no control character in
// the name, no reserved attribute.
func (e *shortEntry) sensible() bool {
	if e.Attr&attrReserved != 0 || e.Name[0] == ' ' {
		return false
	}
	for i, c := range e.Name {
		if c < 0x20 && !(i == 0 && c == slotKanji) {
			return false
		}
	}
	return true
}

// checksum is the sum that ties slots of a long name to their entry. Overview,
// "Organization and Association of Short & Long Directory Entries",
// ChkSum().
func checksum(name *[11]byte) byte {
	var sum byte
	for _, c := range name {
		sum = sum<<7 + sum>>1 + c
	}
	return sum
}

// longSlot is a slot of a long name. Overview, "FAT Long Directory Entries".
type longSlot struct {
	Order byte       // offset 0, without the flag: 1 is the first part
	Last  bool       // offset 0, bit 6: the last part, which comes first
	Sum   byte       // offset 13
	Units [13]uint16 // offsets 1, 14 and 28
}

const (
	longUnits    = 13
	maxLongSlots = 20 // 255 characters
)

// parseLong decodes a slot of a long name; ok is false where its fields make
// no sense.
func parseLong(b []byte) (s longSlot, ok bool) {
	s.Order, s.Last, s.Sum = b[0]&0x3F, b[0]&0x40 != 0, b[13]
	le := binary.LittleEndian
	for i := range s.Units {
		off := 1 + 2*i
		switch {
		case i >= 11:
			off = 28 + 2*(i-11)
		case i >= 5:
			off = 14 + 2*(i-5)
		}
		s.Units[i] = le.Uint16(b[off:])
	}
	return s, s.Order >= 1 && s.Order <= maxLongSlots && b[0]&0x80 == 0 && b[12] == 0 && le.Uint16(b[26:]) == 0
}

func isLong(b []byte) bool { return b[11]&attrLongMask == attrLong }

package fat

import (
	"encoding/binary"

	"fileassay/extract/partial"
)

// width is the kind of an allocation table: the bits of its entries.
type width uint8

// The widths.
const (
	width12    width = 12 // FAT12
	width16    width = 16 // FAT16
	width28    width = 28 // FAT32: 32 bits, of which the upper four are not part of the value
	widthExFAT width = 32 // exFAT
)

// mark is what an entry of the table says.
type mark uint8

// The marks.
const (
	markUnread  mark = iota // in no copy
	markFree                // the cluster is free
	markNext                // the chain goes on
	markEnd                 // the last cluster of a chain
	markBad                 // a defective cluster
	markInvalid             // a value that has no meaning: reserved, or out of range
)

// value is an entry of the table.
type value struct {
	Mark mark
	Raw  uint32 // the next cluster, for markNext
}

// form says how the entries of an allocation table stand in it.
type form struct {
	width    width
	clusters uint32 // of the volume
}

// bits are those that an entry takes.
func (f form) bits() int64 {
	if f.width == width28 {
		return 32
	}
	return int64(f.width)
}

// ones is the greatest value of an entry.
func (f form) ones() uint32 { return uint32(1<<uint64(f.width) - 1) }

// place is where the entry of a cluster stands, and how many bytes hold it. Two
// entries of 12 bits share one.
func (f form) place(c uint32) (off, n int64) {
	return int64(c) * f.bits() / 8, (f.bits() + 7) / 8
}

// fits is how many clusters a table of n bytes has entries for.
func (f form) fits(n int64) int64 { return n*8/f.bits() - firstCluster }

// entry is the entry of c in b, a part of a table that begins at byte at.
func (f form) entry(b partial.Bytes, at int64, c uint32) value {
	off, n := f.place(c)
	p, ok := b.Get(int(off-at), int(n))
	switch {
	case !ok:
		return value{}
	case f.width == width12 && c&1 != 0:
		return f.decode(uint32(binary.LittleEndian.Uint16(p) >> 4))
	case n == 2:
		return f.decode(uint32(binary.LittleEndian.Uint16(p)))
	}
	return f.decode(binary.LittleEndian.Uint32(p))
}

// decode makes sense of an entry's raw value.
func (f form) decode(raw uint32) value {
	raw &= f.ones()
	bad := f.ones() - 8
	switch {
	case raw == 0:
		return value{markFree, 0}
	case raw >= firstCluster && raw-firstCluster < f.clusters:
		return value{markNext, raw}
	case raw == bad:
		return value{markBad, raw}
	case raw > bad && (f.width != widthExFAT || raw == f.ones()):
		return value{markEnd, raw}
	}
	return value{markInvalid, raw}
}

// begins reports whether the first four bytes of a table can be such: its first
// entry holds the media byte and ones. Overview, "FAT Data Structure";
// specification 4.1.1.
func (f form) begins(b []byte) bool {
	return b[0] >= 0xF0 && binary.LittleEndian.Uint32(b)|^f.ones()|0xFF == 0xFFFFFFFF
}

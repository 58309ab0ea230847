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

// place is where the entry of a cluster stands, and how many bytes it takes.
func (f form) place(c uint32) (off, n int64) {
	switch f.width {
	case width12:
		return int64(c) + int64(c)/2, 2
	case width16:
		return int64(c) * 2, 2
	}
	return int64(c) * 4, 4
}

// bytes is how many bytes the entries of all clusters take.
func (f form) bytes() int64 {
	off, n := f.place(f.clusters + firstCluster - 1)
	return off + n
}

// fits is how many clusters a table of n bytes has entries for.
func (f form) fits(n int64) int64 {
	switch f.width {
	case width12:
		return n*2/3 - firstCluster
	case width16:
		return n/2 - firstCluster
	}
	return n/4 - firstCluster
}

// entry is the entry of c in b, a part of a table that begins at byte at.
func (f form) entry(b partial.Bytes, at int64, c uint32) value {
	off, n := f.place(c)
	p, ok := b.Get(int(off-at), int(n))
	if !ok {
		return value{}
	}
	switch f.width {
	case width12:
		v := uint32(binary.LittleEndian.Uint16(p))
		if c&1 != 0 {
			return f.decode(v >> 4)
		}
		return f.decode(v & 0xFFF)
	case width16:
		return f.decode(uint32(binary.LittleEndian.Uint16(p)))
	}
	return f.decode(binary.LittleEndian.Uint32(p))
}

// decode makes sense of an entry's raw value.
func (f form) decode(raw uint32) value {
	var top uint32 // the value of a bad cluster
	switch f.width {
	case width12:
		top = 0xFF7
	case width16:
		top = 0xFFF7
	case width28:
		raw &= 0x0FFFFFFF
		top = 0x0FFFFFF7
	default:
		top = 0xFFFFFFF7
	}
	switch {
	case raw == 0:
		return value{markFree, 0}
	case raw >= firstCluster && raw-firstCluster < f.clusters:
		return value{markNext, raw}
	case raw == top:
		return value{markBad, raw}
	case raw > top && (f.width != widthExFAT || raw == 0xFFFFFFFF):
		return value{markEnd, raw}
	}
	return value{markInvalid, raw}
}

// begins reports whether the first bytes of a table can be such: its first
// entry holds the media byte and ones. Overview, "FAT Data Structure";
// specification 4.1.1.
func (f form) begins(b []byte) bool {
	switch f.width {
	case width12:
		return b[0] >= 0xF0 && b[1]&0x0F == 0x0F
	case width16:
		return b[0] >= 0xF0 && b[1] == 0xFF
	case width28:
		return b[0] >= 0xF0 && b[1] == 0xFF && b[2] == 0xFF && b[3]&0x0F == 0x0F
	}
	return b[0] >= 0xF0 && b[1] == 0xFF && b[2] == 0xFF && b[3] == 0xFF
}

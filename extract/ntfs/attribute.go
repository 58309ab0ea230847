package ntfs

import (
	"fmt"

	"fileassay/extract/partial"
)

// attrType is the type of an attribute [docs: attributes/index.html].
type attrType uint32

const (
	attrStandardInfo  attrType = 0x10
	attrList          attrType = 0x20
	attrFileName      attrType = 0x30
	attrVolumeName    attrType = 0x60
	attrVolumeInfo    attrType = 0x70
	attrData          attrType = 0x80
	attrIndexRoot     attrType = 0x90
	attrIndexAlloc    attrType = 0xa0
	attrBitmap        attrType = 0xb0
	attrReparsePoint  attrType = 0xc0
	attrLogged        attrType = 0x100 // $LOGGED_UTILITY_STREAM: $EFS holds a file's keys
	attrEnd           attrType = 0xffffffff
	attrFlagsCompress          = 0x00ff
	attrFlagEncrypted          = 0x4000
	attrFlagSparse             = 0x8000
)

// attribute is an attribute of a record, resident or not
// [docs: concepts/attribute_header.html]. Offsets are in the record.
type attribute struct {
	typ      attrType
	off, end int // of the whole attribute
	nameOff  int
	nameLen  int // UTF-16 units; 0 is no name
	flags    uint16
	id       uint16 // among those of its record
	resident bool

	// resident
	valueOff, valueLen int

	// non-resident
	lowest, highest int64 // clusters of the stream this attribute maps
	runsOff         int
	unitShift       uint8 // clusters a compression unit, as a power of two; 0 is none
	size            int64 // bytes; only where lowest is 0, as the next three
	initialized     int64 // bytes; what lies past it reads as zeros
	allocated       int64 // bytes of all clusters that the stream maps, holes too
	stored          int64 // bytes of those that are stored, where holes may be; -1 where none may
}

// Offsets in an attribute.
const (
	attrLength    = 0x04 // uint32
	attrNonRes    = 0x08 // uint8
	attrNameLen   = 0x09 // uint8
	attrNameOff   = 0x0a // uint16
	attrFlags     = 0x0c // uint16
	attrID        = 0x0e // uint16
	attrValueLen  = 0x10 // uint32, resident
	attrValueOff  = 0x14 // uint16, resident
	attrLowest    = 0x10 // uint64, non-resident and so on
	attrHighest   = 0x18 // int64
	attrRunsOff   = 0x20 // uint16
	attrUnit      = 0x22 // uint8
	attrAllocated = 0x28 // uint64
	attrSize      = 0x30 // uint64
	attrInit      = 0x38 // uint64
	attrStored    = 0x40 // uint64, of a sparse or compressed stream

	residentHeader    = 0x18
	nonResidentHeader = 0x40
	sparseHeader      = 0x48
	nonResidentShort  = 0x28 // all that is needed where lowest is not 0
)

// attrChain are the attributes of a record, as far as they were followed.
type attrChain struct {
	attrs []attribute // those of which all was read that says what they are, in disk order
	cut   []attrType  // the types of the others
	ended bool        // the mark at the end was read
	odd   string      // what drivers do not write so, in words; "" for nothing
}

// parseAttributes follows the attributes of a record, which it appends to list. b
// are the record's bytes in use. They are followed as far as their heads were
// read. A chain that breaks within what was read is an error.
func parseAttributes(list []attribute, b partial.Bytes, first int) (c attrChain, err error) {
	c.attrs = list
	if first < 0x18 || first%8 != 0 {
		return c, fmt.Errorf("first attribute at %#x", first)
	}
	last := attrType(0)
	for off := first; ; {
		if off+4 > b.Len() {
			return c, fmt.Errorf("attributes run past the %d bytes in use", b.Len())
		}
		if !b.Has(off, 4) {
			return c, nil
		}
		if attrType(le.Uint32(b.Data[off:])) == attrEnd {
			if c.ended = true; b.Len()-off > 8 {
				c.note("its attributes end at %#x, and it states %d bytes in use", off, b.Len())
			}
			return c, nil
		}
		if off+residentHeader > b.Len() {
			return c, fmt.Errorf("attribute at %#x runs past the %d bytes in use", off, b.Len())
		}
		if !b.Has(off, residentHeader) {
			return c, nil
		}
		a, ok, err := parseAttribute(b, off)
		if err != nil {
			return c, err
		}
		// drivers find an attribute by the order of the types, and know no others
		if a.typ < last || a.typ == 0 || a.typ%0x10 != 0 || a.typ > attrLogged && a.typ < 0x1000 {
			c.note("its attribute %#x at %#x is out of order or of no known type", uint32(a.typ), off)
		}
		if last = a.typ; !ok {
			c.cut = append(c.cut, a.typ)
		} else {
			c.attrs = append(c.attrs, a)
			if !a.exact() {
				c.note("its attribute %#x at %#x is not laid out as drivers lay it out", uint32(a.typ), off)
			}
		}
		off = a.end
	}
}

// note notes the first thing that drivers do not write so.
func (c *attrChain) note(format string, a ...any) {
	if c.odd == "" {
		c.odd = fmt.Sprintf(format, a...)
	}
}

// exact reports whether what follows the head of an attribute and its name begins
// at the next multiple of eight bytes, and a resident value ends just before the
// attribute does, as every driver writes it. The head of a stream that may have
// holes is longer; some drivers make it so in further records too (ntfs-3g), and a
// stream that is compressed no more may keep it.
func (a *attribute) exact() bool {
	up := func(n int) int { return (n + 7) &^ 7 }
	if a.resident {
		return (a.nameLen == 0 || a.nameOff == a.off+residentHeader) &&
			a.valueOff == up(a.off+residentHeader+2*a.nameLen) && a.end == up(a.valueOff+a.valueLen)
	}
	laid := func(head int) bool {
		return (a.nameLen == 0 || a.nameOff == a.off+head) && a.runsOff == up(a.off+head+2*a.nameLen)
	}
	return laid(sparseHeader) || (a.lowest > 0 || !a.holed()) && laid(nonResidentHeader)
}

// holed reports whether the stream of an attribute may have holes.
func (a *attribute) holed() bool { return a.flags&(attrFlagSparse|attrFlagsCompress) != 0 }

// parseAttribute decodes the attribute at off, whose first residentHeader
// bytes were read. ok is false where not enough of it was read to use it.
func parseAttribute(b partial.Bytes, off int) (a attribute, ok bool, err error) {
	h := b.Data[off:]
	a.typ = attrType(le.Uint32(h))
	length := int64(le.Uint32(h[attrLength:]))
	if length < residentHeader || length%8 != 0 || length > int64(len(h)) {
		return a, false, fmt.Errorf("attribute %#x at %#x states a length of %d", uint32(a.typ), off, length)
	}
	a.off, a.end = off, off+int(length)
	h = h[:length]
	a.flags, a.id = le.Uint16(h[attrFlags:]), le.Uint16(h[attrID:])
	a.nameLen = int(h[attrNameLen])
	if a.nameLen > 0 {
		n := int(le.Uint16(h[attrNameOff:]))
		if n < residentHeader || n+2*a.nameLen > len(h) {
			return a, false, fmt.Errorf("attribute %#x at %#x has its name outside", uint32(a.typ), off)
		}
		a.nameOff = off + n
		if !b.Has(a.nameOff, 2*a.nameLen) {
			return a, false, nil
		}
	}
	switch h[attrNonRes] {
	case 0:
		a.resident = true
		value, n := int(le.Uint16(h[attrValueOff:])), int64(le.Uint32(h[attrValueLen:]))
		if value < residentHeader || int64(value)+n > length {
			return a, false, fmt.Errorf("attribute %#x at %#x has its value outside", uint32(a.typ), off)
		}
		a.valueOff, a.valueLen = off+value, int(n)
		switch a.typ {
		case attrStandardInfo, attrFileName, attrReparsePoint: // each says what the file is, or where
			return a, b.Has(a.valueOff, a.valueLen), nil
		}
		return a, true, nil
	case 1:
	default:
		return a, false, fmt.Errorf("attribute %#x at %#x is neither resident nor not", uint32(a.typ), off)
	}
	if len(h) < nonResidentShort {
		return a, false, fmt.Errorf("attribute %#x at %#x is too short", uint32(a.typ), off)
	}
	if !b.Has(off, nonResidentShort) {
		return a, false, nil
	}
	a.lowest, a.highest = int64(le.Uint64(h[attrLowest:])), int64(le.Uint64(h[attrHighest:]))
	if a.lowest < 0 || a.lowest > maxVCN || a.highest < a.lowest-1 {
		return a, false, fmt.Errorf("attribute %#x at %#x maps clusters %d to %d", uint32(a.typ), off, a.lowest, a.highest)
	}
	runs := int(le.Uint16(h[attrRunsOff:]))
	if runs < nonResidentShort || runs > len(h) {
		return a, false, fmt.Errorf("attribute %#x at %#x has its runs outside", uint32(a.typ), off)
	}
	a.runsOff = off + runs
	a.unitShift = h[attrUnit]
	if a.unitShift > 16 {
		return a, false, fmt.Errorf("attribute %#x at %#x states a compression unit of 2^%d clusters", uint32(a.typ), off, a.unitShift)
	}
	if a.lowest > 0 {
		return a, true, nil
	}
	head := nonResidentHeader
	if a.holed() {
		head = sparseHeader
	}
	if len(h) < head {
		return a, false, fmt.Errorf("attribute %#x at %#x is too short", uint32(a.typ), off)
	}
	if !b.Has(off, head) {
		return a, false, nil
	}
	a.size = int64(le.Uint64(h[attrSize:]))
	a.initialized = int64(le.Uint64(h[attrInit:]))
	a.allocated = int64(le.Uint64(h[attrAllocated:]))
	if a.stored = -1; a.holed() {
		a.stored = int64(le.Uint64(h[attrStored:]))
	}
	if a.size < 0 || a.allocated < 0 || a.initialized < 0 || a.initialized > a.size {
		return a, false, fmt.Errorf("attribute %#x at %#x states %d bytes, %d of them valid", uint32(a.typ), off, a.size, a.initialized)
	}
	return a, true, nil
}

// name is the name of an attribute of a record; nil for none.
func (a *attribute) name(r *record) []uint16 { return utf16At(r.data.Data, a.nameOff, a.nameLen) }

// key tells the stream of an attribute of a record from others of its file.
func (a *attribute) key(r *record) attrKey {
	return attrKey{a.typ, string(r.data.Data[a.nameOff : a.nameOff+2*a.nameLen])}
}

// is reports whether an attribute of a record has a type, and a name of ASCII
// letters.
func (a *attribute) is(typ attrType, name string, r *record) bool {
	if a.typ != typ || a.nameLen != len(name) {
		return false
	}
	for i := range len(name) {
		if le.Uint16(r.data.Data[a.nameOff+2*i:]) != uint16(name[i]) {
			return false
		}
	}
	return true
}

// utf16Bytes are the bytes of UTF-16 units.
func utf16Bytes(units []uint16) (b []byte) {
	for _, u := range units {
		b = le.AppendUint16(b, u)
	}
	return b
}

// utf16At decodes n UTF-16 units; nil for none.
func utf16At(b []byte, off, n int) []uint16 {
	if n == 0 {
		return nil
	}
	out := make([]uint16, n)
	for i := range out {
		out[i] = le.Uint16(b[off+2*i:])
	}
	return out
}

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
	attrEnd           attrType = 0xffffffff
	attrFlagsCompress          = 0x00ff
	attrFlagEncrypted          = 0x4000
)

// attribute is an attribute of a record, resident or not
// [docs: concepts/attribute_header.html]. Offsets are in the record.
type attribute struct {
	typ      attrType
	off, end int // of the whole attribute
	nameOff  int
	nameLen  int // UTF-16 units; 0 is no name
	flags    uint16
	resident bool

	// resident
	valueOff, valueLen int

	// non-resident
	lowest, highest int64 // clusters of the stream this attribute maps
	runsOff         int
	unitShift       uint8 // clusters a compression unit, as a power of two; 0 is none
	size            int64 // bytes; only where lowest is 0
	initialized     int64 // bytes; what lies past it reads as zeros
}

// Offsets in an attribute.
const (
	attrLength    = 0x04 // uint32
	attrNonRes    = 0x08 // uint8
	attrNameLen   = 0x09 // uint8
	attrNameOff   = 0x0a // uint16
	attrFlags     = 0x0c // uint16
	attrValueLen  = 0x10 // uint32, resident
	attrValueOff  = 0x14 // uint16, resident
	attrLowest    = 0x10 // uint64, non-resident and so on
	attrHighest   = 0x18 // int64
	attrRunsOff   = 0x20 // uint16
	attrUnit      = 0x22 // uint8
	attrAllocated = 0x28 // uint64
	attrSize      = 0x30 // uint64
	attrInit      = 0x38 // uint64

	residentHeader    = 0x18
	nonResidentHeader = 0x40
	nonResidentShort  = 0x28 // all that is needed where lowest is not 0
)

// parseAttributes appends the attributes of a record to list. b is the
// record's bytes in use. Attributes are followed as far as their heads were
// read; whole says that the end of the chain was reached. A chain that breaks
// within what was read is an error.
func parseAttributes(list []attribute, b partial.Bytes, first int) (out []attribute, whole bool, err error) {
	if first < 0x18 || first%8 != 0 {
		return list, false, fmt.Errorf("first attribute at %#x", first)
	}
	for off := first; ; {
		if off+4 > b.Len() {
			return list, false, fmt.Errorf("attributes run past the %d bytes in use", b.Len())
		}
		if !b.Has(off, 4) {
			return list, false, nil
		}
		if attrType(le.Uint32(b.Data[off:])) == attrEnd {
			return list, true, nil
		}
		if off+residentHeader > b.Len() {
			return list, false, fmt.Errorf("attribute at %#x runs past the %d bytes in use", off, b.Len())
		}
		if !b.Has(off, residentHeader) {
			return list, false, nil
		}
		a, ok, err := parseAttribute(b, off)
		if err != nil {
			return list, false, err
		}
		if ok {
			list = append(list, a)
		}
		off = a.end
	}
}

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
	a.flags = le.Uint16(h[attrFlags:])
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
	if a.lowest == 0 {
		if len(h) < nonResidentHeader {
			return a, false, fmt.Errorf("attribute %#x at %#x is too short", uint32(a.typ), off)
		}
		if !b.Has(off, nonResidentHeader) {
			return a, false, nil
		}
		a.size = int64(le.Uint64(h[attrSize:]))
		a.initialized = int64(le.Uint64(h[attrInit:]))
		if a.size < 0 || int64(le.Uint64(h[attrAllocated:])) < 0 || a.initialized < 0 || a.initialized > a.size {
			return a, false, fmt.Errorf("attribute %#x at %#x states %d bytes, %d of them valid", uint32(a.typ), off, a.size, a.initialized)
		}
	}
	return a, true, nil
}

// name is the name of an attribute of a record; nil for none.
func (a *attribute) name(r *record) []uint16 { return utf16At(r.data.Data, a.nameOff, a.nameLen) }

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

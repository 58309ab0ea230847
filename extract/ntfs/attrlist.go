package ntfs

import (
	"fmt"
	"slices"
)

// listEntry is an entry of an attribute list, which says in which record an
// attribute of a file stands [docs: attributes/attribute_list.html].
type listEntry struct {
	typ    attrType
	lowest int64 // first cluster of the stream that the attribute maps
	ref    reference
	id     uint16 // of the attribute in its record
	name   []uint16
}

// Offsets in an entry of an attribute list.
const (
	listLength  = 0x04 // uint16
	listNameLen = 0x06 // uint8
	listNameOff = 0x07 // uint8
	listLowest  = 0x08 // uint64
	listRef     = 0x10 // uint64
	listID      = 0x18 // uint16
	listHeader  = 0x1a
)

// maxAttributeList bounds what is read of an attribute list; the system's own
// bound is 256 KiB.
const maxAttributeList = 1 << 20

// parseAttributeList calls yield for each entry. It ends at the end of b, or
// with an error at an entry that makes no sense.
func parseAttributeList(b []byte, yield func(listEntry)) error {
	for off := 0; off < len(b); {
		if len(b)-off < listHeader {
			return fmt.Errorf("attribute list ends in %d odd bytes", len(b)-off)
		}
		e := b[off:]
		n := int(le.Uint16(e[listLength:]))
		nameLen, nameOff := int(e[listNameLen]), int(e[listNameOff])
		if n < listHeader || n%8 != 0 || n > len(e) || nameLen > 0 && nameOff+2*nameLen > n {
			return fmt.Errorf("attribute list entry at %#x states a length of %d", off, n)
		}
		yield(listEntry{
			typ:    attrType(le.Uint32(e)),
			lowest: int64(le.Uint64(e[listLowest:])),
			ref:    reference(le.Uint64(e[listRef:])),
			id:     le.Uint16(e[listID:]),
			name:   utf16At(e, nameOff, nameLen),
		})
		off += n
	}
	return nil
}

// attributeList reads the attribute list of a record, resident or not, as far
// as it was read. whole is false where a part of it was not, is more than is
// looked at, or makes no sense; a record without a list has an empty one.
func (t *table) attributeList(rec *record) (list []listEntry, whole bool) {
	a := rec.attr(attrList, "")
	if a == nil {
		// it stands before attributes of higher types
		past := len(rec.attrs) > 0 && rec.attrs[len(rec.attrs)-1].typ > attrList && rec.odd == ""
		return nil, rec.whole || past && !slices.Contains(rec.cut, attrList)
	}
	var b []byte // an entry may stand across the edge: what is whole before it is used
	if a.resident {
		b, whole = rec.data.Before(a.valueOff, a.valueOff+a.valueLen), rec.data.Has(a.valueOff, a.valueLen)
	} else {
		s, n := t.listStream(rec, a)
		if t.sharesStored(s, n) { // a list belongs to one record
			return nil, false
		}
		read := s.read(make([]byte, n), 0)
		b, whole = read.Before(0, read.Len()), read.Whole() && n == a.size
	}
	err := parseAttributeList(b, func(e listEntry) { list = append(list, e) })
	return list, whole && err == nil && len(list) > 0
}

// listStream is the stream of a non-resident attribute list, and how much of it
// is used.
func (t *table) listStream(rec *record, a *attribute) (*stream, int64) {
	var m mapping
	m.add(t.area, rec, a)
	m.settle()
	return m.stream(t.r), min(m.size, maxAttributeList)
}

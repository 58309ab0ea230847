package ntfs

import (
	"fmt"
)

// listEntry is an entry of an attribute list, which says in which record an
// attribute of a file stands [docs: attributes/attribute_list.html].
type listEntry struct {
	typ     attrType
	lowest  int64 // first cluster of the stream that the attribute maps
	ref     reference
	nameLen int
	name    []uint16
}

// Offsets in an entry of an attribute list.
const (
	listLength  = 0x04 // uint16
	listNameLen = 0x06 // uint8
	listNameOff = 0x07 // uint8
	listLowest  = 0x08 // uint64
	listRef     = 0x10 // uint64
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
		out := listEntry{
			typ:     attrType(le.Uint32(e)),
			lowest:  int64(le.Uint64(e[listLowest:])),
			ref:     reference(le.Uint64(e[listRef:])),
			nameLen: nameLen,
		}
		if nameLen > 0 {
			out.name = utf16At(e, nameOff, nameLen)
		}
		yield(out)
		off += n
	}
	return nil
}

// attributeList reads the attribute list of a record, resident or not, as far
// as it was read. whole is false where a part of it was not, or makes no
// sense; a record without a list has an empty one.
func (v *Volume) attributeList(rec *record) (list []listEntry, whole bool) {
	a := rec.attr(attrList)
	if a == nil {
		return nil, rec.whole || len(rec.attrs) > 0 && rec.attrs[len(rec.attrs)-1].typ > attrList
	}
	var b []byte
	whole = true
	if a.resident {
		b = rec.data[a.valueOff : a.valueOff+a.valueLen]
		for s := a.valueOff / stride; s*stride < a.valueOff+a.valueLen; s++ {
			if rec.bad.has(int64(s)) {
				b, whole = rec.data[a.valueOff:max(a.valueOff, s*stride)], false
				break
			}
		}
	} else {
		var m mapping
		m.add(rec, a, v.clusters)
		m.settle()
		n := min(m.size, maxAttributeList)
		b = make([]byte, n)
		if gaps := v.stream(&m).read(b, 0); len(gaps) > 0 {
			// an entry may stand across the edge: what is whole before it is used
			b, whole = b[:gaps[0].Start], false
		}
	}
	err := parseAttributeList(b, func(e listEntry) { list = append(list, e) })
	return list, whole && err == nil
}

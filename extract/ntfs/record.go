package ntfs

import (
	"fmt"

	"fileassay/extract/partial"
	"fileassay/extract/ranges"
)

// recordState says what is known of a record of the file table.
type recordState uint8

const (
	recordUnread  recordState = iota // its first stride was not read, or its place is unknown
	recordFree                       // read, and not in use
	recordUsed                       // read, in use: a file or folder of its own
	recordExtends                    // read, in use: holds further attributes of another record
	recordDamaged                    // read, but fails its checks
	recordBlank                      // read: zeros, and the table's bitmap does not call it used
)

// reference names a record: its number, and how often it was used before.
type reference uint64

func (r reference) number() uint64 { return uint64(r) & (1<<48 - 1) }
func (r reference) seq() uint16    { return uint16(r >> 48) }

func makeReference(number uint64, seq uint16) reference {
	return reference(number | uint64(seq)<<48)
}

// record is a record of the file table [docs: concepts/file_record.html].
type record struct {
	number uint64
	state  recordState
	seq    uint16
	links  uint16 // names, DOS names included
	folder bool
	stated bool           // it states its number
	base   reference      // of an extension record: what it extends; else 0
	array  int            // where its update sequence stands
	torn   []ranges.Range // strides that were read, but whose fixup does not hold
	// whole is set where the chain of attributes was followed to its end, and
	// none was left out.
	whole bool
	attrs []attribute   // in disk order; the slice is reused by the next parse
	cut   []attrType    // the types of those left out: not all was read that says what they are
	odd   string        // what of it drivers do not write so, in words; "" for nothing
	freed bool          // in use by its own word, and free by the table's bitmap
	data  partial.Bytes // the record with its fixups applied; torn strides are lost
	why   string        // of a damaged record
}

func (r *record) ref() reference { return makeReference(r.number, r.seq) }

// Offsets in a record.
const (
	recordSeq        = 0x10 // uint16
	recordLinks      = 0x12 // uint16
	recordFirstAttr  = 0x14 // uint16
	recordFlags      = 0x16 // uint16
	recordUsedBytes  = 0x18 // uint32
	recordBase       = 0x20 // uint64
	recordAllocated  = 0x1c // uint32: bytes of the record
	recordNumber     = 0x2c // uint32, where the update sequence stands behind it
	recordHeaderSize = 0x30

	recordFlagInUse  = 0x01
	recordFlagFolder = 0x02
)

// parse decodes a record from its bytes, which it changes (fixups) and keeps.
// number is the record's number in the table.
func (r *record) parse(data partial.Bytes, number uint64) {
	*r = record{number: number, data: data, attrs: r.attrs[:0]}
	if !data.Has(0, stride) {
		return
	}
	b := data.Data
	switch string(b[:4]) {
	case "FILE":
	case "\x00\x00\x00\x00":
		r.state = recordBlank // never used, if the bitmap says so too
		return
	case "BAAD":
		r.damage("marked as damaged by the system")
		return
	default:
		r.damage("signature %q", b[:4])
		return
	}
	var err error
	if r.array, r.torn, err = applyFixups(&r.data); err != nil {
		r.damage("%v", err)
		return
	}
	if !r.data.Has(0, stride) {
		r.damage("first sector is torn")
		return
	}
	r.seq = le.Uint16(b[recordSeq:])
	r.links = le.Uint16(b[recordLinks:])
	flags := le.Uint16(b[recordFlags:])
	r.base = reference(le.Uint64(b[recordBase:]))
	if r.array >= recordHeaderSize {
		n := le.Uint32(b[recordNumber:])
		if n != 0 && n != uint32(number) {
			r.damage("names itself record %d", n)
			return
		}
		r.stated = n == uint32(number)
	}
	r.folder = flags&recordFlagFolder != 0
	switch {
	case flags&recordFlagInUse == 0:
		r.state = recordFree
		return
	case r.base != 0:
		r.state = recordExtends
	default:
		r.state = recordUsed
	}
	used := int64(le.Uint32(b[recordUsedBytes:]))
	if used > int64(len(b)) || used < recordFirstAttr+2 {
		r.damage("states %d bytes in use", used)
		return
	}
	c, err := parseAttributes(r.attrs, r.data.Slice(0, int(used)), int(le.Uint16(b[recordFirstAttr:])))
	r.attrs, r.cut, r.odd = c.attrs, c.cut, c.odd
	r.whole = c.ended && len(c.cut) == 0
	if err != nil {
		r.damage("%v", err)
	}
}

// damage makes a record one that was read and fails its checks.
func (r *record) damage(format string, a ...any) {
	r.state, r.why = recordDamaged, fmt.Sprintf(format, a...)
	r.attrs, r.cut, r.odd, r.whole = r.attrs[:0], nil, "", false
}

// disown makes a record one that is in the table's place, and not the table's.
func (r *record) disown() {
	*r = record{number: r.number, data: r.data, attrs: r.attrs[:0]}
	r.data.Lose(0, r.data.Len())
}

// attr finds the first attribute of a type with a name of ASCII letters, "" for
// one without.
func (r *record) attr(typ attrType, name string) *attribute {
	for i := range r.attrs {
		if a := &r.attrs[i]; a.is(typ, name, r) {
			return a
		}
	}
	return nil
}

// value is the value of a resident attribute that was wholly read. There may be
// no attribute.
func (r *record) value(a *attribute) ([]byte, bool) {
	if a == nil || !a.resident {
		return nil, false
	}
	return r.data.Get(a.valueOff, a.valueLen)
}

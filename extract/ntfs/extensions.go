package ntfs

import (
	"cmp"
	"fmt"
	"iter"
	"maps"
	"slices"

	"fileassay/extract/needs"
)

// fileRecords are the records of a file: its own, and those that hold further
// attributes of it.
type fileRecords struct {
	*record
	exts  []*record
	all   bool               // nothing of them is missing
	lacks map[attrKey]string // of what the attribute list and the records do not say the same, why
	many  string             // the same of all streams, where they are too many to tell
}

// maxLacks bounds the streams of which it is told that a part is missing.
const maxLacks = 64

// lack says in words why it is not known what a stream of the file is; "" where
// the attribute list and the records agree on it.
func (f *fileRecords) lack(typ attrType, name []uint16) string {
	if f.many != "" {
		return f.many
	}
	return f.lacks[attrKey{typ, string(utf16Bytes(name))}]
}

// attrKey tells a stream of a file from its others.
type attrKey struct {
	typ  attrType
	name string // its UTF-16 units as bytes
}

// each are the records.
func (f *fileRecords) each() []*record { return append([]*record{f.record}, f.exts...) }

// of yields the attributes of a type with the records that they stand in.
func (f *fileRecords) of(typ attrType) iter.Seq2[*record, *attribute] {
	return func(yield func(*record, *attribute) bool) {
		for _, r := range f.each() {
			for i := range r.attrs {
				if a := &r.attrs[i]; a.typ == typ && !yield(r, a) {
					return
				}
			}
		}
	}
}

// find finds an attribute and the record that it stands in, both nil for none.
func (f *fileRecords) find(typ attrType, name string) (*record, *attribute) {
	for _, r := range f.each() {
		if a := r.attr(typ, name); a != nil {
			return r, a
		}
	}
	return nil, nil
}

// valueOf is the value of a resident attribute without a name that was wholly
// read.
func (f *fileRecords) valueOf(typ attrType) ([]byte, bool) {
	for _, r := range f.each() {
		if b, ok := r.value(r.attr(typ, "")); ok {
			return b, true
		}
	}
	return nil, false
}

// gather puts a stream together from the attributes of a type and name; nil
// where none was found or it is resident.
func (f *fileRecords) gather(v *area, typ attrType, name string) *mapping {
	var m *mapping
	for r, a := range f.of(typ) {
		if a.resident || !a.is(typ, name, r) {
			continue
		}
		if m == nil {
			m = &mapping{}
		}
		m.add(v, r, a)
	}
	if m != nil {
		m.settle()
	}
	return m
}

// extension says that a record holds further attributes of another.
type extension struct{ base, record uint64 }

func (e extension) compare(o extension) int {
	return cmp.Or(cmp.Compare(e.base, o.base), cmp.Compare(e.record, o.record))
}

// file reads the extension records of a record: those that its attribute list
// names, and, where the list was not wholly read, all that say they belong to
// it.
func (t *table) file(rec *record) (f fileRecords) {
	list, whole := t.attributeList(rec)
	f = fileRecords{record: rec, all: rec.whole && whole}
	if whole && list == nil {
		return f
	}
	defer func() { f.hold(list, whole) }()
	want := map[uint64]int{} // the sequence numbers that the list states; -1 for records that it does not
	for _, e := range list {
		if n := e.ref.number(); n != rec.number {
			want[n] = int(e.ref.seq())
		}
	}
	if !whole {
		i, _ := slices.BinarySearchFunc(t.extends, extension{base: rec.number}, extension.compare)
		for ; i < len(t.extends) && t.extends[i].base == rec.number; i++ {
			if _, stated := want[t.extends[i].record]; !stated {
				want[t.extends[i].record] = -1
			}
		}
	}
	for _, n := range slices.Sorted(maps.Keys(want)) {
		if _, says := slices.BinarySearchFunc(t.extends, extension{rec.number, n}, extension.compare); t.extends != nil && !says || n >= t.count {
			f.all = false // unread, or another's: a list that lies costs nothing
			continue
		}
		x := t.readRecord(n)
		if x.state != recordExtends || x.base.number() != rec.number || rec.seq != 0 && x.base.seq() != rec.seq || want[n] >= 0 && int(x.seq) != want[n] {
			f.all = false
			continue
		}
		f.all = f.all && x.whole
		f.exts = append(f.exts, x)
	}
	return f
}

// findOrphans finds the extension records that belong to no file: the record that
// they name does not name them, nor is any part of its list of records unread.
// listed are those that are named.
func (c *names) findOrphans(listed []extension) {
	slices.SortFunc(listed, extension.compare)
	open, of := false, uint64(1<<63) // whether a record may name more than is known
	for _, x := range c.extends {
		if _, named := slices.BinarySearchFunc(listed, x, extension.compare); named {
			continue
		}
		if x.base != of {
			of = x.base
			switch c.mark(of).state() {
			case recordUnread, recordDamaged:
				open = of < c.count || !c.sized
			case recordUsed:
				_, whole := c.attributeList(c.readRecord(of))
				open = !whole
			default:
				open = false
			}
		}
		if !open && x.record < uint64(len(c.marks)) {
			c.stranger(x.record)
		}
	}
}

// hold holds a file's attribute list and the attributes of its records against
// each other. A driver finds an attribute by its entry alone, by its type, name,
// first cluster, record and id: of what has no entry, and of an entry that
// nothing stands for, it is not known what it says.
func (f *fileRecords) hold(list []listEntry, whole bool) {
	type place struct {
		attrKey
		ref    reference
		lowest int64
		id     uint16
	}
	stands, entire := map[place]int{}, map[uint64]bool{}
	for _, r := range f.each() {
		entire[r.number] = r.whole
		for i := range r.attrs {
			if a := &r.attrs[i]; a.typ != attrList {
				stands[place{a.key(r), r.ref(), a.lowest, a.id}]++
			}
		}
	}
	lack := func(p place, why string) {
		f.all = false
		if f.lacks == nil {
			f.lacks = map[attrKey]string{}
		}
		if _, known := f.lacks[p.attrKey]; known || len(f.lacks) < maxLacks {
			f.lacks[p.attrKey] = max(f.lacks[p.attrKey], why)
		} else {
			f.many = max(f.many, why)
		}
	}
	for _, e := range list {
		p := place{attrKey{e.typ, string(utf16Bytes(e.name))}, e.ref, e.lowest, e.id}
		switch {
		case e.typ == attrList:
		case stands[p] > 0:
			if stands[p]--; stands[p] == 0 {
				delete(stands, p)
			}
		case !entire[p.ref.number()]:
			lack(p, fmt.Sprintf("a part of it that record %d names stands in a record that was not wholly read", f.number))
		default:
			lack(p, fmt.Sprintf("the attribute list of record %d names a part of it that does not stand in its place", f.number))
		}
	}
	if whole {
		for p := range stands {
			lack(p, fmt.Sprintf("the attribute list of record %d does not name a part of it that stands in its records", f.number))
		}
	}
}

// needRest asks for what is unread of a record, of its attribute list, and of
// the further records that the list names.
func (t *table) needRest(list *needs.List, rec *record) {
	t.need(list, rec.number)
	a := rec.attr(attrList, "")
	if a == nil {
		return
	}
	if !a.resident {
		s, n := t.listStream(rec, a)
		s.need(list, 0, n)
	}
	entries, _ := t.attributeList(rec)
	last := rec.number
	for _, e := range entries {
		if n := e.ref.number(); n != last && n != rec.number {
			t.need(list, n)
			last = n
		}
	}
}

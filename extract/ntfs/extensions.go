package ntfs

import (
	"cmp"
	"iter"
	"maps"
	"slices"

	"fileassay/extract/needs"
)

// fileRecords are the records of a file: its own, and those that hold further
// attributes of it.
type fileRecords struct {
	*record
	exts []*record
	all  bool // nothing of them is missing
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
func (t *table) file(rec *record) fileRecords {
	list, whole := t.attributeList(rec)
	f := fileRecords{record: rec, all: rec.whole && whole}
	if whole && list == nil {
		return f
	}
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

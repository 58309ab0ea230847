package ntfs

import (
	"context"
	"math"
	"slices"
	"sync/atomic"
)

// A driver writes each name of a file twice: in the file's record, and in the index
// of the folder that it stands in. Every index that was read is held against the
// records, so that a record of an older version is found by what its folders say.
// To keep a few bytes of each record only, sums are compared first; where they differ
// the folders are asked for the names themselves.

// tally is what is kept of a record to hold it against the folders.
type tally struct {
	names   uint64 // the hashes of its names, without those that folders have for it: 0 where they agree
	changed int64  // when it was last changed, as lastChange has it
	size    uint32 // of a size that its folder must state too; 0 for none, sizeApart where it stands in another record
}

// sizeApart is no hash of a size.
const sizeApart = 2

// hashSize hashes a size; it is odd.
func hashSize(n int64) uint32 { return uint32(uint64(n)*0x9e3779b97f4a7c15>>32) | 1 }

// hash hashes a name for a tally. Hashes are summed: the last steps keep those of
// names that differ in a few letters from cancelling out.
func (n *fileName) hash() uint64 {
	h := hashName(n.parent, n.name) + uint64(n.space)*0x9e3779b97f4a7c15
	h = (h ^ h>>30) * 0xbf58476d1ce4e5b9
	h = (h ^ h>>27) * 0x94d049bb133111eb
	return h ^ h>>31
}

// firm reports whether the folder of a record's file must state its size: drivers
// bring an index up to date late where a file has several names, and on a volume
// that was not closed. names are those that stand in the record, or all.
func (t *table) firm(rec *record, names []fileName) bool {
	if t.journal.open != "" || rec.folder || !rec.whole {
		return false
	}
	switch max(len(names), int(rec.links)) {
	case 1:
		return true
	case 2:
		return len(names) == 2 && names[0].parent == names[1].parent && (names[0].space == nameDOS) != (names[1].space == nameDOS)
	}
	return false
}

// contentSize is the size of a file's content that a record states; -1 for none.
func (r *record) contentSize() int64 {
	for i := range r.attrs {
		if a := &r.attrs[i]; a.is(attrData, "", r) {
			if a.resident {
				return int64(a.valueLen)
			} else if a.lowest == 0 {
				return a.size
			}
		}
	}
	return -1
}

// lastChange is when a record says that it, or content of it, was last changed. A
// driver writes that time into the index with the record, or later: an index that
// has a later one was written when the record was newer than what was read. The time
// of the last change of the content is no such proof, for programs set it back. It is
// the last time of all where nothing can be told.
func (t *table) lastChange(rec *record) int64 {
	if b, ok := rec.value(rec.attr(attrStandardInfo, "")); ok && t.journal.open == "" {
		if info, ok := parseStandardInfo(b); ok {
			return info.changed
		}
	}
	return math.MaxInt64
}

// holdNames holds the folders' indexes against the records, and marks the records
// that a folder has other names for, or that have others than it. It reports whether
// any name differs.
func (c *names) holdNames(ctx context.Context) (differ bool, err error) {
	var past atomic.Bool // an entry leads past the table's end
	err = overFolders(ctx, c, "folders", func(_ *struct{}, e indexEntry) {
		n := e.child.number()
		if n >= uint64(len(c.tallies)) {
			past.Store(true)
			return
		}
		t, m, h := &c.tallies[n], c.marks[n], e.hash()
		if m.state() == recordUsed && (c.seqs[n] != e.child.seq() || e.folder != (m&markFolder != 0) ||
			e.changed > t.changed || t.size&1 != 0 && t.size != hashSize(e.size)) {
			h++
		}
		atomic.AddUint64(&t.names, -h)
	}, func(*struct{}) {})
	if err != nil {
		return false, err
	}
	for n := firstFile; n < len(c.tallies); n++ {
		if c.tallies[n].names == 0 {
			continue
		}
		switch c.marks[n].state() {
		case recordUsed:
			c.marks[n] |= markDiffers
		case recordFree, recordExtends:
			c.marks[n] |= markNeedy
		default:
			continue
		}
		differ = true
	}
	c.tallies = nil
	return differ || past.Load(), nil
}

// differing says in words how a file's record and what folders say of it differ; nil
// for nothing. What was found by itself is no witness.
func (h *harvest) differing(f *fileRecords) (why []string) {
	if h.mark(f.number)&(markDiffers|markNeedy) == 0 || h.isFound(f.number) {
		return nil
	}
	say := func(s string) {
		if !slices.Contains(why, s) {
			why = append(why, s)
		}
	}
	var list []fileName
	own := map[nameKey]namespace{}
	for r, a := range f.of(attrFileName) {
		if b, ok := r.value(a); ok {
			if name, err := parseFileName(b); err == nil {
				list = append(list, name)
				e := indexEntry{f.ref(), name}
				own[e.key()] = name.space
			}
		}
	}
	size := int64(-1)
	if h.firm(f.record, list) {
		for _, r := range f.each() {
			size = max(size, r.contentSize())
		}
	}
	named := nameSet{}
	changed := int64(math.MaxInt64) // by all its names: of several a driver may bring one up to date
	for _, e := range h.byFolder[f.number] {
		if h.isFound(e.parent.number()) {
			continue
		}
		space, known := own[e.key()]
		switch {
		case e.child != f.ref():
			say("a folder has a name for another file that its record should hold")
			continue
		case !known && f.all:
			say("a folder has a name for it that it does not have of itself")
		case known && space != e.space:
			say("a folder has a name of it for other programs than it says of itself")
		case e.folder != f.folder:
			say("its folder and its record do not agree on whether it is a folder")
		case known && size >= 0 && e.size != size:
			say("its folder states another size")
		}
		if changed = min(changed, e.changed); !named.add(e) {
			say("its folder has a name of it twice")
		}
	}
	if len(named) > 0 && changed > h.lastChange(f.record) {
		say("its folder knows of a later change than its record: the record is that of an older version")
	}
	for i := range list {
		e := indexEntry{f.ref(), list[i]}
		if !named[e.key()] && h.wholly(e.parent) {
			say("the folder that it says it stands in was read and does not name it")
		}
	}
	return why
}

// wholly reports whether all of a folder's index was read, other folders' names too.
func (c *names) wholly(folder reference) bool {
	n := folder.number()
	return c.isUsed(n) && !c.isFound(n) && (!c.torn[n] || c.mixed[n]) && c.seqs[n] == folder.seq() && (n == recRoot || c.mark(n)&markFolder != 0)
}

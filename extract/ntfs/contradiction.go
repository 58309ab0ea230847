package ntfs

import (
	"context"
	"fmt"
	"slices"

	"fileassay/extract"
)

// What is held here against each other are the places that tell of one file: its
// record, the names that folders have of it, and the two bitmaps. A driver writes
// them at different times, so that one of them alone may be older on a volume that
// was not closed: where the others agree, it is outvoted only where nothing of the
// file rests on it.

// findFreed finds the clusters that attributes claim and the volume's bitmap calls
// free.
func (c *names) findFreed(ctx context.Context) error {
	space := c.allocation(c.allocated)
	if space == nil {
		return nil
	}
	claimed := c.claims.All()
	return space(ctx, func(start, length int64, use extract.Use) error {
		if use == extract.UseFree {
			for r := range claimed.Within(start, length) {
				c.freed.Add(r.Start, r.Len())
			}
		}
		return nil
	})
}

// asksFolder reports whether a record's word on its file is to be held against its
// folder's: drivers do not write such a record, or seldom.
func (t *table) asksFolder(rec *record) bool {
	own := rec.state == recordExtends || rec.folder || slices.ContainsFunc(rec.attrs, func(a attribute) bool {
		return a.typ == attrList || a.typ == attrIndexRoot // the system's own indexes have names of their own
	})
	if a := rec.attr(attrData, ""); a != nil {
		own = true
		unit := t.cluster
		if a.holed() {
			unit <<= unitShift
		}
		if !a.resident && a.lowest == 0 && a.allocated-a.size >= unit {
			return true // room for more content than the size says
		}
	}
	return rec.odd != "" || !own
}

// opposed says in words what contradicts the record of a file; list are its names,
// f its content. Nil for nothing.
func (h *harvest) opposed(f *fileRecords, list []indexEntry, main *extract.File) (why []string) {
	for _, r := range f.each() {
		if r.odd != "" {
			why = append(why, r.odd)
		}
	}
	_, content := f.find(attrData, "")
	_, index := f.find(attrIndexRoot, "$I30")
	if f.record.folder && (content != nil || f.all && index == nil) || !f.record.folder && index != nil {
		why = append(why, "whether it is a file or a folder its record tells in two ways")
	}
	if h.touches(&h.freed, f) {
		why = append(why, "the volume's bitmap calls some of its clusters free")
	}
	if f.freed {
		h.lost.freed++
		if h.mark(f.number)&(markNeedy|markDiffers) != 0 && !slices.ContainsFunc(h.byFolder[f.number], func(e indexEntry) bool { return e.child == f.ref() }) {
			why = append(why, "the table's bitmap calls its record free, and no folder that was read names it")
		}
	}
	names := 0
	for range f.of(attrFileName) {
		names++
	}
	if f.all && names != int(f.links) {
		why = append(why, fmt.Sprintf("its record says that it has %d names, and has %d", f.links, names))
	}
	why = append(why, h.differing(f)...)
	if h.mixed[f.number] {
		why = append(why, "its index holds names of another folder")
	}
	if h.asksFolder(f.record) || slices.ContainsFunc(f.exts, h.asksFolder) {
		if sizesDiffer(list, main) {
			why = append(why, "its folder states another size, and its record has room for more than it says")
		}
	}
	return why
}

// sizesDiffer reports whether folders state sizes of a file, and none of them
// is the record's.
func sizesDiffer(list []indexEntry, f *extract.File) bool {
	stated := false
	for _, n := range list {
		if n.size == f.Size {
			return false
		}
		stated = stated || n.size >= 0
	}
	return stated && f.Kind == extract.KindFile && f.Size >= 0
}

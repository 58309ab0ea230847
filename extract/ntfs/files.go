package ntfs

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"slices"
	"strings"

	"fileassay/extract"
	"fileassay/extract/bitmap"
	"fileassay/extract/claims"
	"fileassay/extract/ranges"
)

// files is what the second pass over the table gives beside the files: what
// they and the volume's own structures claim, and what was not read.
type files struct {
	*names
	paths *extract.Paths[reference]
	owned claims.Owned
	lost  unreadCount
}

// unreadCount sorts the records in use, or not known to be free, that were
// not read.
type unreadCount struct {
	records   int64 // all of them, damaged ones included
	named     int64 // of them, known by name from a folder
	parents   int64 // of them, folders without a name that other records name as theirs
	extending int64 // of them, known to hold further attributes of another record
	crossed   int64 // files that share clusters with others
	opposed   int64 // files whose records something else that was read contradicts
	missing   int64 // files that folders name, and whose records are those of others or free
	freed     int64 // files whose records the table's bitmap calls free
	partly    int64 // records in use of which a part is missing
	unnamed   int64 // files listed without a name
	adrift    int64 // names in folders that are none
	cut       int64 // files whose streams are not listed under each name
}

func (u *unreadCount) add(o unreadCount) {
	u.records += o.records
	u.named += o.named
	u.parents += o.parents
	u.extending += o.extending
	u.partly += o.partly
	u.crossed += o.crossed
	u.opposed += o.opposed
	u.missing += o.missing
	u.freed += o.freed
	u.unnamed += o.unnamed
	u.adrift += o.adrift
	u.cut += o.cut
}

// harvest is what one chunk of the table gives.
type harvest struct {
	*files
	list  []*extract.File
	owned claims.Owned
	lost  unreadCount
	namer extract.Namer[reference]
	used  *bitmap.Map // the table's bitmap of the chunk, asked for once one record needs it
}

// listFiles lists the files of the volume in the order of their records.
func listFiles(ctx context.Context, c *names, yield func(*extract.File) error) (*files, error) {
	v := &files{names: c, paths: c.paths()}
	v.claimOwn()
	err := overTable(ctx, c.table, "files", func(records iter.Seq[*record]) *harvest {
		h := &harvest{files: v, list: make([]*extract.File, 0, chunkRecords), namer: v.paths.Namer()}
		for rec := range records {
			h.add(rec)
		}
		return h
	}, func(h *harvest) error { return v.take(h, yield) })
	if err != nil {
		return nil, err
	}
	return v, v.listBeyond(ctx, yield)
}

// take takes what a harvest gives.
func (v *files) take(h *harvest, yield func(*extract.File) error) error {
	v.owned.Structures.AddAll(&h.owned.Structures)
	v.owned.Files.AddAll(&h.owned.Files)
	v.lost.add(h.lost)
	for _, f := range h.list {
		if err := yield(f); err != nil {
			return err
		}
	}
	return nil
}

// mostBeyond bounds the records past the table's known end that its bitmap is asked
// about.
const mostBeyond = 8 << 20

// listBeyond lists what folders name by numbers past the table's known end, and counts
// what the table's bitmap calls in use there.
func (v *files) listBeyond(ctx context.Context, yield func(*extract.File) error) error {
	var beyond []uint64
	for n := range v.byFolder {
		if n >= v.count {
			beyond = append(beyond, n)
		}
	}
	slices.Sort(beyond)
	if v.bitmap != nil && v.sized {
		from := v.count &^ 7
		used := v.inUse(from, uint64(max(0, min(v.bitmap.size*8-int64(from), mostBeyond))))
		n := used.Count(int64(v.count-from), used.Bits-int64(v.count-from), bitmap.Set)
		v.lost.records += max(0, n-int64(len(beyond)))
	}
	for part := range slices.Chunk(beyond, chunkRecords) {
		h := &harvest{files: v, namer: v.paths.Namer()}
		for _, n := range part {
			h.lost.records++
			h.lost.named++
			h.addNamed(&record{number: n}, v.given(n))
		}
		if err := cmp.Or(ctx.Err(), v.take(h, yield)); err != nil {
			return err
		}
	}
	return nil
}

// claimOwn claims the structures whose place is known without a record: the
// boot sector and its copy, the file table and its mirror, stray index blocks.
func (v *files) claimOwn() {
	s := &v.owned.Structures
	s.Add(v.start, v.boot.SectorSize)
	s.Add(v.start+v.boot.TotalSectors*v.boot.SectorSize, v.boot.SectorSize)
	v.claimTable(s)
	s.Add(v.mirror.place(0), max(v.mirror.size, v.cluster))
	for _, at := range v.strays {
		s.Add(at, v.boot.IndexSize)
	}
}

// claim claims the clusters of a record's non-resident attributes: content for
// the file, all else, and everything of the system's own files, for the
// volume's structures.
func (h *harvest) claim(rec *record, own bool) {
	for a, e := range h.claimed(rec) {
		if a.typ == attrData && !own {
			h.owned.Files.Add(e.Image, e.Length)
		} else {
			h.owned.Structures.Add(e.Image, e.Length)
		}
	}
}

// journalDoubt says why what the records of a file say may not be what the journal
// would make of them, "" if nothing says so.
func (v *files) journalDoubt(f *fileRecords) (why string) {
	if v.journal.open == "" {
		return ""
	}
	if v.journal.unused && !slices.ContainsFunc(f.each(), func(r *record) bool { return r.state == recordUsed && r.lastLSN() != 0 }) {
		return ""
	}
	for _, r := range f.each() {
		for _, e := range v.holder(r.number).stored(int64(r.number)*v.recordSize, v.recordSize) {
			why = cmp.Or(why, v.journal.doubt(e.Image, e.Length))
		}
		for _, e := range v.claimed(r) {
			why = cmp.Or(why, v.journal.doubt(e.Image, e.Length))
		}
	}
	return why
}

// touches reports whether an attribute of a file claims any of some clusters.
func (v *files) touches(set *ranges.Set, f *fileRecords) bool {
	if set.Len() == 0 {
		return false
	}
	for _, r := range f.each() {
		for _, e := range v.claimed(r) {
			if set.Touches(e.Image, e.Length) {
				return true
			}
		}
	}
	return false
}

// sharesStored reports whether a part of a stream's first n bytes stands in clusters
// that another attribute claims too.
func (t *table) sharesStored(s *stream, n int64) bool {
	if t.shared.Len() == 0 {
		return false
	}
	for e := range s.parts(0, n) {
		if e.Image >= 0 && t.shared.Touches(e.Image, e.Length) {
			return true
		}
	}
	return false
}

// add lists the files of a record.
func (h *harvest) add(rec *record) {
	n := rec.number
	switch rec.state {
	case recordUsed:
		h.addUsed(rec)
	case recordExtends:
		// its base tells of it; a base that was not read cannot
		if b := rec.base.number(); b < h.count && !h.isUsed(b) && len(h.byFolder[b]) == 0 {
			h.claim(rec, false)
		}
		h.addMissing(rec, h.given(n))
	case recordFree:
		h.addMissing(rec, h.given(n))
	case recordUnread, recordDamaged, recordBlank:
		if n == recRoot {
			h.lost.records++
			h.lost.named++
		}
		if n < firstFile {
			return
		}
		if h.used == nil {
			h.used = h.inUse(n/chunkRecords*chunkRecords, chunkRecords)
		}
		_, isParent := h.parents[n]
		list := h.given(n)
		if h.used.Get(int64(n%chunkRecords)) == bitmap.Clear && len(list) == 0 && !isParent {
			return
		}
		h.lost.records++
		switch {
		case len(list) > 0:
			h.lost.named++
			h.addNamed(rec, list)
		case isParent:
			h.lost.unnamed++
			h.lost.parents++
			h.list = append(h.list, &extract.File{ID: n, Path: extract.UnknownParent(n), Kind: extract.KindFolder, Size: -1,
				Unnamed: true, NameOnly: true, Needs: h.needsOf(n), Why: []string{fmt.Sprintf("record %d of the file table is %s; other records name it as their folder", n, rec.stateWord())}})
		case h.extending[n]:
			h.lost.extending++
		}
	}
}

func (r *record) stateWord() string {
	switch r.state {
	case recordDamaged:
		return "damaged (" + r.why + ")"
	case recordBlank:
		return "damaged (it holds zeros)"
	case recordFree:
		return "free by its own word"
	case recordUsed, recordExtends:
		return "that of another file"
	}
	return "unread"
}

// place is where a name stands.
type place struct {
	path  string
	exact []byte // of the name
	deep  bool   // as extract.File has it
	own   bool   // the system's own, or below it: all that it has in its own folders begins with a dollar sign
	// adrift is set where the folders above it do not lead to the root
	adrift bool
}

func (h *harvest) place(n *indexEntry) (p place) {
	parent := n.parent.folder()
	shown, exact := n.shown()
	p.exact = exact
	p.path, p.deep = h.namer.Path(parent, shown)
	top := h.namer.Top(parent)
	p.own = top != recRoot && h.isOwn(top) && (p.deep || strings.HasPrefix(p.path, extract.UnknownParent(top.number())+"/$"))
	p.adrift = !p.own && top != recRoot
	return p
}

// isOwn reports whether a reference is to one of the system's own folders as it is
// now. One with another sequence number is none, and must hide no file.
func (c *names) isOwn(folder reference) bool {
	n := folder.number()
	return n < firstFile && (n >= uint64(len(c.seqs)) || !c.isUsed(n) || c.seqs[n] == folder.seq())
}

// addUsed lists the files of a record in use.
func (h *harvest) addUsed(rec *record) {
	f := h.file(rec)
	list := f.names()
	if n := rec.number; h.mark(n)&(markNeedy|markDiffers) != 0 {
		var own, others []indexEntry
		for _, e := range h.given(n) {
			if e.child == f.ref() || h.isFound(n) {
				own = append(own, e)
			} else {
				others = append(others, e)
			}
		}
		list = dropTwins(withSizes(list, own))
		known := setOf(list)
		defer h.addMissing(rec, slices.DeleteFunc(others, func(e indexEntry) bool { return known[e.key()] }))
	}
	places := make([]place, 0, len(list))
	customers := list[:0:0]
	for i := range list {
		if p := h.place(&list[i]); !p.own {
			places, customers = append(places, p), append(customers, list[i])
		}
	}
	own := rec.number < firstFile || len(list) > 0 && len(customers) == 0
	list = customers
	for _, r := range f.each() {
		h.claim(r, own)
	}
	if own {
		return
	}
	if !f.all {
		h.lost.partly++
	}
	entries := h.entries(&f, list)
	doubt := func(why string) {
		for i := range entries {
			entries[i].RecordUnread = true
			entries[i].Why = append(entries[i].Why, why)
		}
	}
	if slices.ContainsFunc(f.each(), func(r *record) bool { return h.isFound(r.number) }) {
		doubt("its record was found by itself and may be stale: nothing that was read proves that the file table has it")
	}
	if why := h.journalDoubt(&f); why != "" {
		doubt(why)
	}
	if why := h.opposed(&f, list, &entries[0].File); len(why) > 0 {
		h.lost.opposed++
		for _, w := range why {
			doubt(w)
		}
	}
	if h.touches(&h.shared, &f) {
		h.lost.crossed++
		doubt("other files claim some of its clusters too: whose they are is not known")
	}
	unnamed := len(list) == 0
	if unnamed {
		h.lost.unnamed++
		list, places = []indexEntry{{}}, []place{{path: extract.UnknownParent(rec.number)}}
	}
	for _, p := range places {
		if p.adrift {
			h.lost.adrift++
		}
	}
	room, cut := max(maxStreams, len(entries)-1), false // all of them under the first name
	pieces := 0
	for i, n := range list {
		listed := entries
		if room -= len(entries) - 1; room < 0 {
			listed, cut = entries[:1], true
		}
		for _, e := range listed {
			f := e.File
			f.Unnamed = unnamed
			f.Path, f.Deep = places[i].path+e.stream, places[i].deep
			f.NameBytes = places[i].exact
			if e.stream != "" && e.exact != nil {
				f.NameBytes = e.exact
			}
			if n.space == nameDOS {
				f.Why = append(slices.Clip(f.Why), "only its short name is known")
			}
			if pieces += len(f.Pieces); pieces > maxPieces && i > 0 {
				f.Pieces, cut = nil, true
				f.Why = append(slices.Clip(f.Why), "it has so many names and pieces that its place is told under the first names only")
			}
			h.list = append(h.list, &f)
		}
	}
	if cut {
		h.lost.cut++
	}
}

// maxPieces bounds the pieces that are told of one file under all its names. Drivers
// give a file no more than 1,024 names.
const maxPieces = 1 << 20

// maxStreams bounds the streams that are listed of a file with several names, each
// under each of them.
const maxStreams = 1 << 16

// addMissing lists what folders name where the record, which was read, is not that
// of the file.
func (h *harvest) addMissing(rec *record, list []indexEntry) {
	if len(list) > 0 && rec.number >= firstFile {
		h.lost.missing++
		h.addNamed(rec, list)
	}
}

// addNamed lists a file that only folders know, with what its extension
// records tell.
func (h *harvest) addNamed(rec *record, list []indexEntry) {
	ghost := h.file(&record{number: rec.number, seq: list[0].child.seq()})
	for _, x := range ghost.exts {
		h.claim(x, false)
	}
	streams := h.dataStreams(&ghost)
	size := indexSize(list)
	for _, n := range list {
		at := h.place(&n)
		if at.own {
			continue
		}
		f := &extract.File{ID: rec.number, Path: at.path, Deep: at.deep, NameBytes: at.exact, Kind: extract.KindFile,
			Size: n.size, Modified: fileTime(n.modified), NameOnly: true, Needs: h.needsOf(rec.number),
			Why: []string{fmt.Sprintf("record %d of the file table is %s; its folder knows it by name", rec.number, rec.stateWord())}}
		if n.folder {
			f.Kind, f.Size = extract.KindFolder, 0
		} else if size < 0 {
			f.Size = -1
		} else if m := plainStream(streams, size); m != nil && m.size == size && size > 0 {
			f.Pieces = m.pieces()
			f.NameOnly = false
			f.RecordUnread = true
			f.Why = append(f.Why, "some of its extents are known from a further record")
		}
		h.list = append(h.list, f)
	}
}

package ntfs

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"fileassay/extract"
	"fileassay/extract/ranges"
)

// harvest is what one chunk of the table gives.
type harvest struct {
	files             []*extract.File
	structures, spans []ranges.Range // claims of the system and of files
	unread            unreadCount
	namer             extract.Namer[reference]
}

// unreadCount sorts the records in use, or not known to be free, that were
// not read.
type unreadCount struct {
	records   int64 // all of them, damaged ones included
	damaged   int64 // of them, read but damaged
	named     int64 // of them, known by name from a folder
	parents   int64 // of them, folders without a name that other records name as theirs
	extending int64 // of them, known to hold further attributes of another record
	crossed   int64 // files that share clusters with others
	partly    int64 // records in use of which a part is missing
	unnamed   int64 // files listed without a name
}

func (u *unreadCount) add(o unreadCount) {
	u.records += o.records
	u.damaged += o.damaged
	u.named += o.named
	u.parents += o.parents
	u.extending += o.extending
	u.partly += o.partly
	u.crossed += o.crossed
	u.unnamed += o.unnamed
}

// walk lists the files of the volume in the order of their records. See
// [extract.Filesystem].
func (v *Volume) walk(ctx context.Context, yield func(*extract.File) error) error {
	if err := v.takeCensus(ctx); err != nil {
		return err
	}
	if err := v.askFolders(ctx); err != nil {
		return err
	}
	v.setPaths()
	v.claimOwn()
	done := int64(0)
	err := extract.InOrder(ctx, v.opt.Workers(), v.table.chunks(),
		func(_ context.Context, i int) (*harvest, error) { return v.harvestOf(i) },
		func(h *harvest) error {
			for _, s := range h.structures {
				v.claims.Structures.Add(s.Start, s.End-s.Start)
			}
			for _, s := range h.spans {
				v.claims.Files.Add(s.Start, s.End-s.Start)
			}
			v.unread.add(h.unread)
			for _, f := range h.files {
				if err := yield(f); err != nil {
					return err
				}
			}
			done += chunkRecords * v.table.recordSize
			v.opt.Report("files", min(done, v.table.stream.size), v.table.stream.size)
			return nil
		})
	if err != nil {
		return err
	}
	return v.sumUp(ctx)
}

func (v *Volume) harvestOf(chunk int) (*harvest, error) {
	h := &harvest{files: make([]*extract.File, 0, chunkRecords), namer: v.paths.Namer()}
	c := &v.census
	from := uint64(chunk) * chunkRecords
	var used, known []bool // of the table's bitmap, asked for once one record needs it
	err := v.eachRecord(chunk, func(rec *record) error {
		n := rec.number
		switch rec.state {
		case recordUsed:
			v.harvestRecord(h, rec)
		case recordExtends:
			// its base tells of it; a base that was not read cannot
			if b := rec.base.number(); b < uint64(len(c.marks)) && c.marks[b].state() != recordUsed && len(c.names[b]) == 0 {
				v.claimAttributes(rec, h, false)
			}
		case recordUnread, recordDamaged:
			if n < firstFile && n != recRoot {
				break
			}
			if used == nil {
				used, known = v.table.inUse(from, chunkRecords)
			}
			names := c.names[n]
			_, isParent := c.parents[n]
			if n == recRoot {
				h.unread.records++
				h.unread.named++
				break
			}
			if known[n-from] && !used[n-from] && len(names) == 0 && !isParent {
				break
			}
			h.unread.records++
			if rec.state == recordDamaged {
				h.unread.damaged++
			}
			switch {
			case len(names) > 0:
				h.unread.named++
				v.harvestNames(h, rec, names)
			case isParent:
				h.unread.unnamed++
				h.unread.parents++
				h.files = append(h.files, &extract.File{ID: n, Path: extract.UnknownParent(n), Kind: extract.KindFolder, Size: -1,
					Unnamed: true, NameOnly: true, Needs: v.needsOfRecord(n), Why: []string{fmt.Sprintf("record %d of the file table is %s; other records name it as their folder", n, stateWord(rec))}})
			case v.extending[n]:
				h.unread.extending++
			}
		}
		return nil
	})
	return h, err
}

func stateWord(rec *record) string {
	if rec.state == recordDamaged {
		return "damaged (" + rec.why + ")"
	}
	return "unread"
}

// harvestRecord lists the files of a record in use.
func (v *Volume) harvestRecord(h *harvest, rec *record) {
	var exts []*record
	whole := rec.whole
	if rec.attr(attrList) != nil || !rec.whole {
		var all bool
		exts, all = v.extensions(rec)
		whole = whole && all
	}
	names := v.names(rec, exts)
	if n := rec.number; int(n) < len(v.census.marks) && v.census.marks[n].needy() {
		for _, e := range v.census.names[n] {
			if !slices.ContainsFunc(names, e.same) && !(e.space == nameDOS && len(names) > 0) {
				names = append(names, e)
			} else if i := slices.IndexFunc(names, e.same); i >= 0 {
				names[i].size = e.size
			}
		}
	}
	own := rec.number < firstFile
	places := make([]placed, len(names))
	for i := range names {
		places[i] = h.place(&names[i])
		own = own || places[i].own
	}
	v.claimAttributes(rec, h, own)
	for _, x := range exts {
		v.claimAttributes(x, h, own)
	}
	if own {
		return
	}
	if !whole {
		h.unread.partly++
	}
	entries := v.entries(rec, exts, whole, names)
	if n := rec.number; v.table.isFound(n) && (v.census.trust[n] != trustProven || sizesDiffer(names, &entries[0].File)) {
		for i := range entries {
			entries[i].RecordUnread = true
			entries[i].Why = append(entries[i].Why, "its record was found by itself, and no folder proves that it belongs to this volume")
		}
	}
	if v.sharesClusters(rec, exts) {
		h.unread.crossed++
		for i := range entries {
			entries[i].RecordUnread = true
			entries[i].Why = append(entries[i].Why, "other files claim some of its clusters too: whose they are is not known")
		}
	}
	if len(names) == 0 {
		h.unread.unnamed++
		names, places = []nameOnly{{}}, []placed{{path: extract.UnknownParent(rec.number)}}
		for i := range entries {
			entries[i].Unnamed = true
		}
	}
	for i, n := range names {
		for _, e := range entries {
			f := e.File
			f.Path, f.Deep = places[i].path+e.stream, places[i].deep
			f.NameBytes = n.exact
			if e.stream != "" && e.exact != nil {
				f.NameBytes = e.exact
			}
			if n.space == nameDOS {
				f.Why = append(slices.Clip(f.Why), "only its short name is known")
			}
			h.files = append(h.files, &f)
		}
	}
}

// entry is a file or stream of a record, before it is given a path.
type entry struct {
	extract.File
	stream string // ":name"
	exact  []byte // of the stream's name
}

// entries are the file of a record and its streams.
func (v *Volume) entries(rec *record, exts []*record, whole bool, names []nameOnly) []entry {
	main := extract.File{ID: rec.number, Kind: extract.KindFile, Size: -1}
	need := needs{v: v}
	if rec.folder {
		main.Kind, main.Size = extract.KindFolder, 0
		main.EntriesUnread = v.census.torn[rec.number]
		if main.EntriesUnread {
			need.index(rec, exts)
			main.Why = append(main.Why, "a part of the folder's own list of names was not read")
		}
	}
	var info standardInfo
	if a, owner := v.value(rec, exts, attrStandardInfo); a != nil {
		info, _ = parseStandardInfo(owner.data[a.valueOff : a.valueOff+a.valueLen])
		main.Modified = fileTime(info.modified)
	} else if !whole {
		main.RecordUnread = true // its flags would say whether its content is elsewhere
	}
	missing := ""
	if !whole {
		need.rest(rec)
		missing = v.whatIsMissing(rec, exts)
		if missing != "" {
			main.Why = append(main.Why, missing)
		}
	}

	var out []entry
	if v.table.doubted {
		main.RecordUnread = true
		main.Why = append(main.Why, "its record was found by itself and may be stale")
	}
	streams := v.dataStreams(rec, exts)
	var wof *dataStream
	for i := range streams {
		if streams[i].isWOF() {
			wof = &streams[i]
		}
	}
	point, hasPoint := v.reparse(rec, exts, &main, info, whole)
	switch {
	case main.Kind == extract.KindFolder:
		if hasPoint && point.isLink() {
			main.Kind, main.Target = extract.KindLink, point.target
		}
	case hasPoint && point.isLink():
		main.Kind, main.Size, main.Target = extract.KindLink, 0, point.target
	default:
		v.fillMain(&main, streams, whole, names)
		if hasPoint {
			v.fillReparsed(&main, &point, wof)
		}
	}
	if main.RecordUnread && info.flags&fileFlagReparse != 0 && !hasPoint {
		need.attribute(rec, exts, attrReparsePoint)
	}
	if hasPoint && point.tag == tagWOF && wof != nil {
		need.chunkTable(wof, main.Size, point.wof)
	}
	main.Needs = need.list
	out = append(out, entry{File: main})
	for i := range streams {
		s := &streams[i]
		if s.name == nil || s.isWOF() && hasPoint && point.tag == tagWOF {
			continue
		}
		shown, exact := extract.NameFromUTF16(s.name)
		f := extract.File{ID: rec.number, Kind: extract.KindStream, Modified: main.Modified, RecordUnread: v.table.doubted}
		if !whole {
			f.Needs = main.Needs
		}
		v.fill(&f, s)
		out = append(out, entry{File: f, stream: ":" + shown, exact: exact})
	}
	return out
}

// value finds the value of a resident attribute without a name that was
// wholly read.
func (v *Volume) value(rec *record, exts []*record, typ attrType) (*attribute, *record) {
	for _, r := range append([]*record{rec}, exts...) {
		if a := r.attr(typ); a != nil && a.resident && r.bad.clean(a.valueOff, a.valueOff+a.valueLen) {
			return a, r
		}
	}
	return nil, nil
}

// dataStream is a $DATA attribute put together from the records of a file.
type dataStream struct {
	name     []uint16 // nil for the file's own content
	resident *attribute
	owner    *record
	mapping  mapping
}

func (s *dataStream) isWOF() bool {
	if len(s.name) != len(wofStream) {
		return false
	}
	for i, u := range s.name {
		if u != uint16(wofStream[i]) {
			return false
		}
	}
	return true
}

// dataStreams are the $DATA attributes of a file, the unnamed one first.
func (v *Volume) dataStreams(rec *record, exts []*record) []dataStream {
	var out []dataStream
	add := func(r *record) {
		for i := range r.attrs {
			a := &r.attrs[i]
			if a.typ != attrData {
				continue
			}
			var name []uint16
			if a.nameLen > 0 {
				name = a.name(r.data)
			}
			k := slices.IndexFunc(out, func(s dataStream) bool { return slices.Equal(s.name, name) })
			if k < 0 {
				out = append(out, dataStream{name: name})
				k = len(out) - 1
			}
			s := &out[k]
			if a.resident {
				if s.resident == nil {
					s.resident, s.owner = a, r
				}
			} else {
				s.mapping.add(r, a, v.clusters)
			}
		}
	}
	add(rec)
	for _, x := range exts {
		add(x)
	}
	for i := range out {
		out[i].mapping.settle()
	}
	slices.SortStableFunc(out, func(a, b dataStream) int { return slices.Compare(a.name, b.name) })
	return out
}

// fill sets a file's size and pieces from a stream.
func (v *Volume) fill(f *extract.File, s *dataStream) {
	if s.resident != nil {
		if len(s.mapping.runs) > 0 || s.mapping.headed {
			f.Size = -1
			f.Why = append(f.Why, "its records contradict each other: its content stands in two places")
			return
		}
		f.Size = int64(s.resident.valueLen)
		f.Pieces = v.residentPieces(s.owner, s.resident)
		return
	}
	m := &s.mapping
	f.Why = append(f.Why, m.broken...)
	if !m.headed {
		f.Size = -1
		f.Why = append(f.Why, "the record that states its size was not read")
		return
	}
	f.Size = m.size
	f.Pieces = v.pieces(m)
	v.storedHow(f, m)
}

func (v *Volume) storedHow(f *extract.File, m *mapping) {
	switch {
	case m.flags&attrFlagEncrypted != 0:
		f.Stored = extract.StoredEncrypted
		f.Why = append(f.Why, "encrypted by the system: readable only with the owner's key")
	case m.flags&attrFlagsCompress != 0 && m.unitShift > 0:
		f.Stored = extract.StoredCompressed
		f.Packing = extract.Packing{Method: "lznt1", Unit: v.cluster << m.unitShift}
		if m.initialized < m.size {
			f.Packing.Valid = m.initialized
		}
	case m.flags&attrFlagsCompress != 0 && f.Size > 0:
		f.RecordUnread = true
		f.Why = append(f.Why, "its record says that it is compressed, and not in what units")
	}
}

// fillMain sets the content of a file that may not have been wholly read.
func (v *Volume) fillMain(f *extract.File, streams []dataStream, whole bool, names []nameOnly) {
	if len(streams) > 0 && streams[0].name == nil {
		v.fill(f, &streams[0])
		if f.Size >= 0 {
			return
		}
		f.Size = indexSize(names)
		if f.Size >= 0 { // the folder knows the size, and some extents may be known
			m := streams[0].mapping
			f.RecordUnread = true
			if !m.compressedFlag() && streams[0].resident == nil {
				m.size, m.initialized = f.Size, f.Size
				f.Pieces = v.pieces(&m)
			}
		}
		return
	}
	if whole {
		f.Size = 0
		return
	}
	f.Size = indexSize(names)
	f.RecordUnread = true
	if f.Size > 0 {
		f.Pieces = []extract.Piece{{Length: f.Size, Kind: extract.Unlocated}}
	} else if f.Size == 0 {
		f.Size = -1 // a folder's word for nothing proves nothing
	}
}

// sizesDiffer reports whether folders state sizes of a file, and none of them
// is the record's.
func sizesDiffer(names []nameOnly, f *extract.File) bool {
	stated := false
	for _, n := range names {
		if n.size == f.Size {
			return false
		}
		stated = stated || n.size >= 0
	}
	return stated && f.Kind == extract.KindFile && f.Size >= 0
}

// indexSize is the size that a folder's index states; -1 where none does.
func indexSize(names []nameOnly) int64 {
	size := int64(-1)
	for _, n := range names {
		if n.size < 0 || size >= 0 && n.size != size {
			if n.size >= 0 {
				return -1 // they disagree
			}
			continue
		}
		size = n.size
	}
	return size
}

// maxReparse bounds what is read of a reparse point (the system's own bound,
// common practice, no source).
const maxReparse = 16 << 10

// reparse reads a record's reparse point and notes what it means for the file.
func (v *Volume) reparse(rec *record, exts []*record, f *extract.File, info standardInfo, whole bool) (reparsePoint, bool) {
	var b []byte
	if a, owner := v.value(rec, exts, attrReparsePoint); a != nil {
		b = owner.data[a.valueOff : a.valueOff+a.valueLen]
	} else if m := v.gather(rec, attrReparsePoint, exts); m != nil && m.headed && m.size <= maxReparse {
		b = make([]byte, m.size)
		if gaps := v.stream(m).read(b, 0); len(gaps) > 0 {
			b = nil
		}
	}
	if b == nil {
		if info.flags&fileFlagReparse != 0 {
			f.RecordUnread = true
			f.Why = append(f.Why, "its reparse point, which may change what its content is, was not read")
		}
		return reparsePoint{}, false
	}
	p, err := parseReparsePoint(b)
	if err != nil {
		f.RecordUnread = true
		f.Why = append(f.Why, err.Error())
		return p, false
	}
	switch {
	case p.isLink():
		f.Why = append(f.Why, "a link: it has no content of its own")
	case p.tag != tagWOF && p.elsewhere() == "":
		f.Why = append(f.Why, fmt.Sprintf("has a reparse point with tag %#x", p.tag))
	}
	return p, true
}

// fillReparsed sets the content of a file whose reparse point changes where
// its content is.
func (v *Volume) fillReparsed(f *extract.File, p *reparsePoint, wof *dataStream) {
	if why := p.elsewhere(); why != "" {
		away := false
		for i := range f.Pieces {
			if f.Pieces[i].Kind == extract.Hole {
				f.Pieces[i].Kind = extract.Unlocated
				away = true
			}
		}
		if away {
			f.Stored = extract.StoredElsewhere
			f.Why = append(f.Why, why)
		}
		return
	}
	if p.tag != tagWOF {
		return
	}
	f.Stored = extract.StoredCompressed
	switch {
	case f.Size <= 0:
	case wof == nil:
		f.Pieces = nil
		f.Why = append(f.Why, "compressed by the system, and the stream that holds its content was not found")
	case p.wof == 0:
		f.Pieces = nil
		f.Why = append(f.Why, "compressed by the system in a way that is not known")
	default:
		var stored extract.File
		v.fill(&stored, wof)
		f.Why = append(f.Why, stored.Why...)
		f.Why = append(f.Why, fmt.Sprintf("compressed by the system (%s, chunks of %d bytes); its content is its stream %s", p.method, p.wof, wofStream))
		f.Pieces = nil
		if stored.Size < 0 {
			return
		}
		if stored.Stored == extract.StoredEncrypted || slices.ContainsFunc(stored.Pieces, func(p extract.Piece) bool { return p.Kind == extract.Unit }) {
			f.Why = append(f.Why, fmt.Sprintf("its stream %s is not stored as it is, so that its table cannot be used", wofStream))
			return
		}
		s := v.stream(&wof.mapping)
		if wof.resident != nil {
			s = v.residentStream(wof.owner, wof.resident)
		}
		f.Pieces = v.wofPieces(stored.Pieces, s, stored.Size, f.Size, p.wof)
		f.Packing = extract.Packing{Method: strings.ToLower(p.method), Unit: int64(p.wof)}
	}
}

// whatIsMissing says in words what of a file's records was not read.
func (v *Volume) whatIsMissing(rec *record, exts []*record) string {
	if !rec.whole {
		if rec.torn != 0 {
			return fmt.Sprintf("a sector of its record %d is torn", rec.number)
		}
		return fmt.Sprintf("a sector of its record %d was not read", rec.number)
	}
	return fmt.Sprintf("a further record of record %d was not read, or its list of records was not", rec.number)
}

// harvestNames lists a file that only folders know, with what its extension
// records tell.
func (v *Volume) harvestNames(h *harvest, rec *record, names []nameOnly) {
	ghost := &record{number: rec.number, seq: names[0].child.seq()}
	exts, _ := v.extensions(ghost)
	var streams []dataStream
	if len(exts) > 0 {
		streams = v.dataStreams(ghost, exts)
		for _, x := range exts {
			v.claimAttributes(x, h, false)
		}
	}
	for _, n := range names {
		at := h.place(&n)
		if at.own {
			continue
		}
		f := &extract.File{ID: rec.number, Path: at.path, Deep: at.deep, NameBytes: n.exact, Kind: extract.KindFile,
			Size: n.size, Modified: fileTime(n.modified), NameOnly: true, Needs: v.needsOfRecord(rec.number),
			Why: []string{fmt.Sprintf("record %d of the file table is %s; its folder knows it by name", rec.number, stateWord(rec))}}
		if n.folder {
			f.Kind, f.Size = extract.KindFolder, 0
		} else if s := indexSize(names); s < 0 {
			f.Size = -1
		} else if len(streams) > 0 && streams[0].name == nil && streams[0].resident == nil && s > 0 && !streams[0].mapping.compressedFlag() {
			m := streams[0].mapping
			if !m.headed {
				m.size, m.initialized = s, s
			}
			if m.size == s {
				f.Pieces = v.pieces(&m)
				f.NameOnly = false
				f.RecordUnread = true
				f.Why = append(f.Why, "some of its extents are known from a further record")
			}
		}
		h.files = append(h.files, f)
	}
}

// compressedFlag reports whether any of the stream's attributes says that it
// is kept in compression units.
func (m *mapping) compressedFlag() bool { return m.flags&attrFlagsCompress != 0 }

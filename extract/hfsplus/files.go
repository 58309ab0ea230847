package hfsplus

import (
	"fmt"
	"slices"

	"fileassay/extract"
	"fileassay/extract/needs"
)

// files makes the files of the records: the fourth stage.
type files struct {
	*records
	*names
}

// entry is a listed file or folder with what it claims of the volume.
type entry struct {
	f     *extract.File
	runs  runs       // of its forks, for the claims
	own   bool       // one of the volume's own structures: claimed, not listed
	cross bool       // something speaks against its claim to runs
	maybe fileThread // not zero: of a record that may be a leftover
}

// listed is what a batch of leaves gave to the list.
type listed struct {
	entries []entry
	namer   *extract.Namer[uint32]
}

// list makes the entries of a leaf.
func (v *files) list(n *node, doubtful bool, out *listed) {
	doubtful = doubtful || n.uncertain
	if out.namer == nil {
		namer := v.paths.Namer()
		out.namer = &namer
	}
	eachCatalog(n, func(_ int, r *catalogRecord) {
		switch {
		case !r.ok:
		case r.kind == typeFolder:
			v.listFolder(r.catalogKey, &r.folder, doubtful, out)
		case r.kind == typeFile:
			v.listFile(r.catalogKey, &r.file, doubtful, out)
		case r.kind == typeFileThread && doubtful:
			v.listOrphan(r, r.threadOf(), out)
		case r.kind == typeFileThread && v.orphans[r.parent]:
			v.listOrphan(r, fileThread{}, out)
		}
	})
}

// named is an entry under its name.
func (l *listed) named(k catalogKey, id uint32) *extract.File {
	shown, exact := shownName(k.name)
	path, deep := l.namer.Path(k.parent, shown)
	return &extract.File{ID: uint64(id), Path: path, Deep: deep, NameBytes: exact, Kind: extract.KindFile}
}

// twoNames is the remark on an entry whose record and thread differ.
const twoNames = "its record and its thread do not agree on its name and folder: one of them may be of an earlier time"

// leftover is the remark on an entry whose record may be out of use.
const leftover = "its record stands in a part of the catalog that may be out of use, since what would tell is unread"

func (v *files) listFolder(k catalogKey, d *folderRecord, doubtful bool, out *listed) {
	if d.id == idRoot || v.isPrivate(d.id) || v.isPrivate(k.parent) {
		return
	}
	known := v.folder(d.id)
	if known == nil || known.doubtful != doubtful || known.dropped {
		return // it stands elsewhere, or is a leftover
	}
	f := out.named(k, d.id)
	f.Kind = extract.KindFolder
	f.Modified = date(d.modified)
	f.EntriesUnread = known.children < known.valence
	if known.children > known.valence {
		f.RecordUnread = true
		f.Why = append(f.Why, fmt.Sprintf("it has %d entries, of which its record counts %d", known.children, known.valence))
	}
	if doubtful {
		f.RecordUnread = true
		f.Why = append(f.Why, leftover)
	}
	if f.EntriesUnread {
		f.Needs = v.needsOf(needs.Most, d.id)
		f.Why = append(f.Why, fmt.Sprintf("%d of its %d entries were read", known.children, known.valence))
	}
	v.oppose(f, d.id)
	v.doubt(f)
	out.entries = append(out.entries, entry{f: f})
}

// oppose marks an entry of that number whose record and thread differ.
func (v *files) oppose(f *extract.File, id uint32) {
	if v.opposed[id] {
		f.RecordUnread = true
		f.Why = append(f.Why, twoNames)
	}
}

// doubt marks an entry whose record may be superseded by the journal.
func (v *files) doubt(f *extract.File) {
	if v.stale() {
		f.RecordUnread = true
		f.Why = append(f.Why, "newer metadata may stand in a part of the journal that could not be used")
	}
}

// listOrphan takes a file that is known by its thread alone.
func (v *files) listOrphan(r *catalogRecord, maybe fileThread, out *listed) {
	k := catalogKey{r.thread.parent, r.thread.name}
	if v.isJournal(k, blockRun{}) {
		out.entries = append(out.entries, entry{own: true, maybe: maybe})
		return
	}
	f := out.named(k, r.parent)
	f.Size, f.NameOnly, f.Needs = -1, true, v.needsOf(needs.Few, k.parent)
	f.Why = []string{"its record is unread; its name is from its thread record"}
	out.entries = append(out.entries, entry{f: f, maybe: maybe})
}

func (v *files) listFile(k catalogKey, rec *fileRecord, doubtful bool, out *listed) {
	if v.isPrivate(k.parent) {
		v.listPrivate(k, rec, doubtful, out)
		return
	}
	e := entry{f: out.named(k, rec.id)}
	f := e.f
	if doubtful {
		e.maybe = fileThread{rec.id, k.parent, nameHash(k.name)}
		f.RecordUnread = true
		f.Why = append(f.Why, leftover)
	}
	v.doubt(f)
	v.oppose(f, rec.id)
	if v.journal.present && k.parent == idRoot {
		if at := v.fork(&rec.data, rec.id, dataFork); v.isJournal(k, rec.data.runs[0]) {
			out.entries = append(out.entries, entry{runs: at.runs, own: true, maybe: e.maybe})
			return
		}
	}
	switch {
	case rec.folderLink():
		f.Kind = extract.KindFolder
		f.Modified = date(rec.modified)
		if target := v.folder(v.linkedFolders[rec.special]); target != nil {
			f.ID = uint64(target.id)
			f.EntriesUnread = target.children < target.valence
			if f.EntriesUnread {
				f.Needs = v.needsOf(needs.Few, target.id)
			}
			if p := out.namer.Folder(target.id); p != f.Path {
				f.Why = append(f.Why, "a hard link to a folder; what it holds is listed under "+p)
			}
		} else {
			f.NameOnly, f.Needs = true, v.needsOf(needs.Few, v.private[1])
			f.Why = append(f.Why, fmt.Sprintf("the record of the folder that it links to (%s%d) is unread", folderPrefix, rec.special))
		}
		out.entries = append(out.entries, e)
	case rec.hardLink():
		n := v.inode(rec.special)
		shared, ok := v.inodeRecord(n)
		if !ok {
			if n != nil {
				f.ID = uint64(n.id)
			}
			f.Size, f.RecordUnread, f.Needs = -1, true, v.needsOf(needs.Few, v.private[0])
			f.Why = append(f.Why, fmt.Sprintf("the record of the file that holds its content (%s%d) is unread", inodePrefix, rec.special))
			out.entries = append(out.entries, e)
			return
		}
		if n.doubtful && !doubtful {
			f.RecordUnread = true
			f.Why = append(f.Why, leftover)
		}
		f.ID = uint64(shared.id)
		v.oppose(f, shared.id)
		if v.names.miscounted[rec.special] {
			f.RecordUnread = true
			f.Why = append(f.Why, fmt.Sprintf("the file that it links to counts %d hard links, and others were found: it may be a link to another one", n.links))
		}
		v.fill(&e, &shared, v.private[0], out)
	default:
		if v.lacksLinks && rec.data.size == 0 && rec.rsrc.size == 0 {
			f.RecordUnread = true
			f.Why = append(f.Why, "it is empty, and hard links are missing that others count: it may be one")
		}
		v.fill(&e, rec, k.parent, out)
	}
}

// isJournal reports whether a file is the journal or its info block, by its
// name in the root, and its place where that is known (TN1150, Journal).
func (v *layout) isJournal(k catalogKey, first blockRun) bool {
	if !v.journal.present || k.parent != idRoot {
		return false
	}
	at := v.journal.at
	if isName(k.name, journalInfoFil) {
		at = v.journal.info
	} else if !isName(k.name, journalFile) {
		return false
	}
	return at < 0 || first.count == 0 || !v.header.holds(first) || v.at(first.start) == at
}

// fill puts content into an entry and appends it to out, with the stream of
// its resource fork. parent is the folder that rec stands in.
func (v *files) fill(e *entry, rec *fileRecord, parent uint32, out *listed) {
	f := e.f
	f.Modified = date(rec.modified)
	f.Executable = rec.mode&modeType == modeRegular && rec.mode&modeRun != 0
	var s *extract.File                                                // the stream
	if rec.rsrc.sized && rec.rsrc.size > 0 && rec.rsrc.size <= 1<<62 { // where it is unread, whether there is one is not known
		s = &extract.File{ID: f.ID, Path: f.Path + ":rsrc", Deep: f.Deep, Kind: extract.KindStream, Modified: f.Modified,
			RecordUnread: f.RecordUnread, Why: slices.Clone(f.Why)}
	}
	data := v.fork(&rec.data, rec.id, dataFork)
	rsrc := v.fork(&rec.rsrc, rec.id, rsrcFork)
	e.runs = data.runs
	if len(rsrc.runs) > 0 {
		e.runs = append(slices.Clone(data.runs), rsrc.runs...)
	}
	if why := v.against(e.runs); why != "" {
		e.cross = true
		for _, f := range []*extract.File{f, s} {
			if f != nil {
				f.RecordUnread = true
				f.Why = append(f.Why, why)
			}
		}
	}
	out.entries = append(out.entries, *e)
	if !rec.headRead || !rec.data.sized {
		f.Needs = v.needsOf(needs.Few, parent)
		f.Size, f.RecordUnread = -1, true
		f.Why = append(f.Why, "a part of its record is unread")
		return
	}
	if rec.symlink() {
		f.Kind = extract.KindLink
	}
	switch rec.mode & modeType {
	case modeFIFO, modeChar, modeBlock, modeSocket, modeWhite:
		f.Why = append(f.Why, "a device node, pipe or socket: it has no content")
	}
	c := v.compressed.of(rec.id)
	switch {
	case rec.id < idFirstUser:
		f.RecordUnread = true
		f.Why = append(f.Why, fmt.Sprintf("its record has the number %d, which no file can have", rec.id))
	case rec.ownerFlags&ownerCompressed == 0 && c != nil && !c.doubtful:
		f.RecordUnread = true
		f.Why = append(f.Why, "an attribute says that it is kept compressed, and its record does not")
	}
	if rec.ownerFlags&ownerCompressed != 0 {
		switch {
		case rec.data.size > 0:
			// as a system leaves it that was stopped while it unpacked the file
			f.RecordUnread = true
			f.Why = append(f.Why, "it has content, and is said to be kept compressed: which of the two is whole is not known")
		default:
			need := v.wanted(needs.Few)
			if c != nil {
				v.remark(f, &rsrc)
				need.AddAll(v.restOf(&rsrc, rec.id, parent))
				v.stored(f, c, &rsrc, &need)
			} else {
				f.Size, f.RecordUnread, f.Stored = -1, true, extract.StoredCompressed
				f.Why = append(f.Why, "it is kept compressed, and the attribute that says how was not found")
				need.records(v.trees.attributes, rec.id)
			}
			f.Needs = need.Ranges()
			return
		}
	}
	if rec.data.size > 1<<62 {
		f.Size, f.RecordUnread, f.Needs = -1, true, v.restOf(&data, rec.id, parent)
		f.Why = append(f.Why, fmt.Sprintf("its record gives it %d bytes", rec.data.size))
	} else {
		v.content(f, &data, rec.id, parent)
	}
	if f.Kind == extract.KindLink && f.Size > 0 && f.Size <= maxTarget {
		if b := data.read(make([]byte, f.Size), 0); b.Whole() {
			f.Target = string(b.Data)
		}
	}
	if s != nil {
		v.content(s, &rsrc, rec.id, parent)
		out.entries = append(out.entries, entry{f: s, maybe: e.maybe})
	}
}

// maxTarget bounds what is read of a symbolic link.
const maxTarget = 4096

// content puts the content of a fork of a file in the folder parent into f.
func (v *files) content(f *extract.File, at *fork, file, parent uint32) {
	v.remark(f, at)
	f.Size = at.size
	var stale bool
	if f.Pieces, stale = at.pieces(); stale {
		f.Why = append(f.Why, "the journal has newer content for a part of it, which is unread")
	}
	f.Needs = v.restOf(at, file, parent)
}

// remark says why a fork is not wholly located.
func (v *files) remark(f *extract.File, at *fork) {
	f.Why = append(f.Why, at.why...)
	if at.doubtful {
		f.RecordUnread = true
		f.Why = append(f.Why, "some of its extents are from a part of the extents overflow file that may be out of use")
	}
	if at.against != "" {
		f.RecordUnread = true
		f.Why = append(f.Why, at.against)
	}
	switch {
	case !at.gaps || at.size <= 0:
	case !at.whole:
		f.Why = append(f.Why, "a part of its record is unread, so that not all of its extents are known")
	case len(at.why) > 0:
	case v.overflow.some:
		f.Why = append(f.Why, "not all of its extents are known: records of the extents overflow file are unread")
	default:
		f.Why = append(f.Why, "not all of its extents are known: records that should be there are not in the extents overflow file")
	}
}

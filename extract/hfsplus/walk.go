package hfsplus

import (
	"context"
	"fmt"
	"slices"

	"fileassay/extract"
	"fileassay/extract/needs"
	"fileassay/extract/partial"
)

// entry is a listed file or folder with what it claims of the volume.
type entry struct {
	f     *extract.File
	runs  runs       // of its forks, for the claims
	own   bool       // one of the volume's own structures: claimed, not listed
	maybe fileThread // not zero: of a record that may be a leftover
}

// listed is what a batch of leaves gave to the list.
type listed struct {
	entries []entry
	nameOf  int64 // entries that could not be listed for want of their number
	namer   *extract.Namer[uint32]
}

// walk lists the files and folders in the order of the catalog: folder by
// folder in the order of their numbers, and in a folder by name. It implements
// [extract.Filesystem].
func (v *Volume) walk(ctx context.Context, yield func(*extract.File) error) error {
	if err := v.load(ctx); err != nil {
		return err
	}
	v.claimOwn()
	c := v.catalog
	var unnamed int64
	var given fileThread // the last entry that was listed of those that may be leftovers
	give := func(e *entry) error {
		if stream := e.f != nil && e.f.Kind == extract.KindStream; e.maybe.id != 0 && !(stream && e.maybe == given) {
			if !c.accepted[e.maybe] {
				return nil
			}
			c.accepted[e.maybe] = false // a further record of the same file is a leftover
			given = e.maybe
		}
		into := &v.claims.Files
		if e.own {
			into = &v.claims.Structures
		}
		for _, r := range e.runs {
			into.Add(r.Image, r.Length)
		}
		if e.f == nil || e.own {
			return nil
		}
		if e.f.Unnamed {
			unnamed++
		}
		return yield(e.f)
	}
	err := each(ctx, v.trees.catalog, v.o.Workers(), v.list, func(l listed) error {
		v.skipped += l.nameOf
		for i := range l.entries {
			if err := give(&l.entries[i]); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	// folders known by their threads alone
	namer := c.paths.Namer()
	for i := range c.folders {
		f := &c.folders[i]
		if !f.fromThread || f.id == idRoot || c.isPrivate(f.id) || f.dropped {
			continue
		}
		path, deep := namer.Path(f.parent, f.name)
		e := entry{f: &extract.File{ID: uint64(f.id), Path: path, Deep: deep, Kind: extract.KindFolder, NameOnly: true,
			EntriesUnread: true, Needs: v.needsOf(needs.Most, f.parent, f.id), Why: []string{"its record is unread; its name is from its thread record"}}}
		if err := give(&e); err != nil {
			return err
		}
	}
	if err := v.loose(ctx, give); err != nil {
		return err
	}
	return v.state(ctx, unnamed)
}

// list makes the entries of a leaf.
func (v *Volume) list(n *node, doubtful bool, out *listed) {
	doubtful = doubtful || n.uncertain
	c := v.catalog
	if out.namer == nil {
		namer := c.paths.Namer()
		out.namer = &namer
	}
	eachCatalog(n, func(k catalogKey, _ record, kind uint16, data partial.Bytes) {
		switch kind {
		case typeFolder:
			if d, ok := parseFolder(data); ok {
				v.listFolder(k, &d, doubtful, out)
			}
		case typeFile:
			if f, ok := parseFile(data); ok {
				v.listFile(k, &f, doubtful, out)
			} else if data.Len() >= fileSize {
				out.nameOf++
			}
		case typeFileThread:
			th, ok := parseThread(data)
			switch {
			case !ok:
			case doubtful:
				v.listOrphan(k.parent, &th, fileThread{k.parent, th.parent, nameHash(th.name)}, out)
			case c.orphans[k.parent]:
				v.listOrphan(k.parent, &th, fileThread{}, out)
			}
		}
	})
}

// named is an entry under its name.
func (l *listed) named(k catalogKey, id uint32) *extract.File {
	shown, exact := shownName(k.name)
	path, deep := l.namer.Path(k.parent, shown)
	return &extract.File{ID: uint64(id), Path: path, Deep: deep, NameBytes: exact, Kind: extract.KindFile}
}

// leftover is the remark on an entry whose record may be out of use.
const leftover = "its record stands in a part of the catalog that may be out of use, since what would tell is unread"

func (v *Volume) listFolder(k catalogKey, d *folderRecord, doubtful bool, out *listed) {
	c := v.catalog
	if d.id == idRoot || c.isPrivate(d.id) || c.isPrivate(k.parent) {
		return
	}
	known := c.folder(d.id)
	if known == nil || known.doubtful != doubtful {
		return // it stands elsewhere
	}
	if known.dropped {
		return
	}
	f := out.named(k, d.id)
	f.Kind = extract.KindFolder
	f.Modified = date(d.modified)
	f.EntriesUnread = known.children < known.valence
	if doubtful {
		f.RecordUnread = true
		f.Why = append(f.Why, leftover)
	}
	if f.EntriesUnread {
		f.Needs = v.needsOf(needs.Most, d.id)
		f.Why = append(f.Why, fmt.Sprintf("%d of its %d entries were read", known.children, known.valence))
	}
	v.stale(f)
	out.entries = append(out.entries, entry{f: f})
}

// stale marks an entry whose record may be superseded by the journal.
func (v *Volume) stale(f *extract.File) {
	if v.journal.broken || v.headerStale {
		f.RecordUnread = true
		f.Why = append(f.Why, "newer metadata may stand in a part of the journal that could not be used")
	}
}

func (v *Volume) listOrphan(id uint32, th *threadRecord, maybe fileThread, out *listed) {
	k := catalogKey{th.parent, th.name}
	if v.isJournal(k, nil) {
		out.entries = append(out.entries, entry{own: true, maybe: maybe})
		return
	}
	f := out.named(k, id)
	f.Size, f.NameOnly, f.Needs = -1, true, v.needsOf(needs.Few, th.parent)
	f.Why = []string{"its record is unread; its name is from its thread record"}
	out.entries = append(out.entries, entry{f: f, maybe: maybe})
}

func (v *Volume) listFile(k catalogKey, rec *fileRecord, doubtful bool, out *listed) {
	c := v.catalog
	if c.isPrivate(k.parent) {
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
	v.stale(f)
	if v.journal.present && k.parent == idRoot {
		if at := v.locate(&rec.data, rec.id, dataFork, nil); v.isJournal(k, at.runs) {
			out.entries = append(out.entries, entry{runs: at.runs, own: true, maybe: e.maybe})
			return
		}
	}
	switch {
	case rec.folderLink():
		f.Kind = extract.KindFolder
		f.Modified = date(rec.modified)
		if target := v.linkedFolder(rec.special); target != nil {
			f.ID = uint64(target.id)
			f.EntriesUnread = target.children < target.valence
			if f.EntriesUnread {
				f.Needs = v.needsOf(needs.Few, target.id)
			}
			if p := out.namer.Folder(target.id); p != f.Path {
				f.Why = append(f.Why, "a hard link to a folder; what it holds is listed under "+p)
			}
		} else {
			f.NameOnly, f.Needs = true, v.needsOf(needs.Few, c.private[1])
			f.Why = append(f.Why, fmt.Sprintf("the record of the folder that it links to (%s%d) is unread", folderPrefix, rec.special))
		}
		out.entries = append(out.entries, e)
		return
	case rec.hardLink():
		shared, maybe, ok := v.shared(rec.special)
		if !ok {
			f.Size, f.RecordUnread, f.Needs = -1, true, v.needsOf(needs.Few, c.private[0])
			f.Why = append(f.Why, fmt.Sprintf("the record of the file that holds its content (%s%d) is unread", inodePrefix, rec.special))
			out.entries = append(out.entries, e)
			return
		}
		if maybe && !doubtful {
			f.RecordUnread = true
			f.Why = append(f.Why, leftover)
		}
		rec = &shared
		f.ID = uint64(rec.id)
		v.fill(&e, rec, c.private[0], out)
		return
	}
	v.fill(&e, rec, k.parent, out)
}

// isJournal reports whether a file is the journal or its info block, by its
// name in the root, and its place where that is known (TN1150, Journal).
func (v *Volume) isJournal(k catalogKey, runs runs) bool {
	if !v.journal.present || k.parent != idRoot {
		return false
	}
	at := v.journal.at
	if isName(k.name, journalInfoFil) {
		at = v.journal.info
	} else if !isName(k.name, journalFile) {
		return false
	}
	return at < 0 || len(runs) == 0 || runs[0].Image == at
}

// fill puts content into an entry and appends it to out, with the stream of
// its resource fork. parent is the folder that rec stands in.
func (v *Volume) fill(e *entry, rec *fileRecord, parent uint32, out *listed) {
	f := e.f
	f.Modified = date(rec.modified)
	f.Executable = rec.mode&modeType == modeRegular && rec.mode&modeRun != 0
	var s *extract.File                                                // the stream
	if rec.rsrc.sized && rec.rsrc.size > 0 && rec.rsrc.size <= 1<<62 { // where it is unread, whether there is one is not known
		s = &extract.File{ID: f.ID, Path: f.Path + ":rsrc", Deep: f.Deep, Kind: extract.KindStream, Modified: f.Modified,
			RecordUnread: f.RecordUnread, Why: slices.Clone(f.Why)}
	}
	data := v.locate(&rec.data, rec.id, dataFork, v.extents)
	rsrc := v.locate(&rec.rsrc, rec.id, rsrcFork, v.extents)
	e.runs = data.runs
	if len(rsrc.runs) > 0 {
		e.runs = append(slices.Clone(data.runs), rsrc.runs...)
	}
	need := v.wanted(needs.Few)
	if !rec.headRead || !rec.data.sized {
		f.Needs = v.needsOf(needs.Few, parent)
		f.Size, f.RecordUnread = -1, true
		f.Why = append(f.Why, "a part of its record is unread")
		out.entries = append(out.entries, *e)
		return
	}
	if rec.symlink() {
		f.Kind = extract.KindLink
	}
	switch rec.mode & modeType {
	case modeFIFO, modeChar, modeBlock, modeSocket, modeWhite:
		f.Why = append(f.Why, "a device node, pipe or socket: it has no content")
	}
	if rec.ownerFlags&ownerCompressed != 0 && rec.data.size == 0 {
		if c := v.compressed.of(rec.id); c != nil {
			v.remark(f, &rsrc, &rec.rsrc)
			v.stored(f, c, &rsrc)
			v.forkNeeds(&need, &rsrc, &rec.rsrc, rec.id, parent)
			v.compressedNeeds(&need, rec.id, c, &rsrc)
			f.Needs = need.Ranges()
			out.entries = append(out.entries, *e)
			return
		}
		if v.compressed.some {
			f.Size, f.RecordUnread, f.Stored = -1, true, extract.StoredCompressed
			v.compressedNeeds(&need, rec.id, nil, &rsrc)
			f.Needs = need.Ranges()
			f.Why = append(f.Why, "it is kept compressed, and the attribute that says how is unread")
			out.entries = append(out.entries, *e)
			return
		}
	}
	if rec.ownerFlags&ownerCompressed != 0 && rec.data.size > 0 && (v.compressed.some || v.compressed.of(rec.id) != nil) {
		// as a system leaves it that was stopped while it unpacked the file
		f.RecordUnread = true
		f.Why = append(f.Why, "it has content, and is said to be kept compressed: which of the two is whole is not known")
	}
	if rec.data.size > 1<<62 {
		f.Size, f.RecordUnread = -1, true
		f.Why = append(f.Why, fmt.Sprintf("its record gives it %d bytes", rec.data.size))
	} else {
		f.Size = int64(rec.data.size)
		v.content(f, &data, &rec.data)
	}
	v.forkNeeds(&need, &data, &rec.data, rec.id, parent)
	f.Needs = need.Ranges()
	if f.Kind == extract.KindLink {
		f.Target = v.target(f)
	}
	out.entries = append(out.entries, *e)
	if s == nil {
		return
	}
	s.Size = int64(rec.rsrc.size)
	v.content(s, &rsrc, &rec.rsrc)
	need = v.wanted(needs.Few)
	v.forkNeeds(&need, &rsrc, &rec.rsrc, rec.id, parent)
	s.Needs = need.Ranges()
	out.entries = append(out.entries, entry{f: s, maybe: e.maybe})
}

// content puts the pieces of a fork into f.
func (v *Volume) content(f *extract.File, at *fork, p *partFork) {
	v.remark(f, at, p)
	var stale bool
	if f.Pieces, stale = at.pieces(); stale {
		f.Why = append(f.Why, "the journal has newer content for a part of it, which is unread")
	}
}

// remark says why a fork is not wholly located.
func (v *Volume) remark(f *extract.File, at *fork, p *partFork) {
	f.Why = append(f.Why, at.why...)
	if at.doubtful {
		f.RecordUnread = true
		f.Why = append(f.Why, "some of its extents are from a part of the extents overflow file that may be out of use")
	}
	if !at.gaps || p.size == 0 {
		return
	}
	switch {
	case !p.whole():
		f.Why = append(f.Why, "a part of its record is unread, so that not all of its extents are known")
	case v.extents.some && len(at.why) == 0:
		f.Why = append(f.Why, "not all of its extents are known: records of the extents overflow file are unread")
	case len(at.why) == 0:
		f.Why = append(f.Why, "not all of its extents are known: records that should be there are not in the extents overflow file")
	}
}

// maxTarget bounds what is read of a symbolic link.
const maxTarget = 4096

// target is where a symbolic link leads, "" where that is unread.
func (v *Volume) target(f *extract.File) string {
	if f.Size <= 0 || f.Size > maxTarget {
		return ""
	}
	b := make([]byte, f.Size)
	pos := int64(0)
	for _, p := range f.Pieces {
		if p.Offset != pos || p.Kind != extract.Data {
			return ""
		}
		if _, err := v.src.r.ReadAt(b[p.Offset:p.Offset+p.Length], p.Image); err != nil {
			return ""
		}
		pos += p.Length
	}
	if pos != f.Size {
		return ""
	}
	return string(b)
}

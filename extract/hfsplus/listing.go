package hfsplus

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"fileassay/extract"
	"fileassay/extract/claims"
	"fileassay/extract/needs"
	"fileassay/extract/ranges"
)

// lister gives the files and says of them how complete they are, and what of
// the volume they claim: the last stage.
type lister struct {
	*files
	claims  claims.Owned
	given   fileThread // the last entry that was listed of those that may be leftovers
	unnamed int64
	crossed int64 // entries of files whose claims something speaks against
	adrift  int64 // entries of folders that do not lead to the root
}

// walk gives every file and folder to yield.
func (w *lister) walk(ctx context.Context, o extract.Options, yield func(*extract.File) error) error {
	w.claimOwn(&w.claims.Structures)
	give := func(e *entry) error { return w.give(e, yield) }
	err := each(ctx, w.trees.catalog, o, w.list, func(l listed) error {
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
	namer := w.paths.Namer()
	for i := range w.folders {
		f := &w.folders[i]
		if !f.fromThread || f.id == idRoot || w.isPrivate(f.id) || f.dropped {
			continue
		}
		path, deep := namer.Path(f.parent, f.name)
		e := entry{f: &extract.File{ID: uint64(f.id), Path: path, Deep: deep, Kind: extract.KindFolder, NameOnly: true,
			EntriesUnread: true, Needs: w.needsOf(needs.Most, f.parent, f.id), Why: []string{"its record is unread; its name is from its thread record"}}}
		if err := give(&e); err != nil {
			return err
		}
	}
	return w.loose(ctx, give)
}

// give claims what an entry lies in, and gives it to yield, unless it is one of
// the volume's own or a leftover.
func (w *lister) give(e *entry, yield func(*extract.File) error) error {
	if stream := e.f != nil && e.f.Kind == extract.KindStream; e.maybe.id != 0 && !(stream && e.maybe == w.given) {
		if !w.accepted[e.maybe] {
			return nil
		}
		w.accepted[e.maybe] = false // a further record of the same file is a leftover
		w.given = e.maybe
	}
	into := &w.claims.Files
	if e.own {
		into = &w.claims.Structures
	}
	for _, r := range e.runs {
		into.Add(r.Image, r.Length)
	}
	if e.f == nil || e.own {
		return nil
	}
	if e.f.Unnamed {
		w.unnamed++
	}
	if e.cross {
		w.crossed++
	}
	if strings.HasPrefix(e.f.Path, "?/") && !e.f.Deep {
		w.adrift++
	}
	return yield(e.f)
}

// listing is the statement on the files that were given.
func (w *lister) listing(ctx context.Context, space extract.Space) (extract.Listing, error) {
	t, c, l := w.trees.catalog, &w.catalog, extract.Listing{}
	why := func(format string, args ...any) { l.Why = append(l.Why, fmt.Sprintf(format, args...)) }
	l.Complete = w.whole()
	l.Needs = w.lacks()
	l.UnnamedFiles = w.unnamed
	if t.fork.gaps {
		why("a part of the catalog file is not located: records of the extents overflow file are unread")
	}
	if t.unreadNodes > 0 {
		why("%d of %d nodes of the catalog file are unread", t.unreadNodes, t.total)
	}
	if t.badNodes > 0 {
		why("%d nodes of the catalog file fail their checks", t.badNodes)
	}
	if t.partNodes > 0 && c.lost > 0 {
		why("%d nodes of the catalog file are unread in part: %d records in them could not be read", t.partNodes, c.lost)
	} else if c.lost > 0 {
		why("%d records of the catalog file cannot be used", c.lost)
	}
	if !t.headerOK {
		why("the header of the catalog file %s", t.headerIs)
	}
	if t.garbled > 0 {
		why("%d nodes of the catalog file fail their checks in part", t.garbled)
	}
	for _, t := range w.there() {
		if t.odd > 0 {
			l.Complete = false
			why("the node map, the index and the links of the %s do not agree on %d nodes: what leads to a node decides", t.name, t.odd)
		}
	}
	if t.doubtful > 0 {
		why("%d nodes of the catalog file may be out of use: the node map and what else would tell are unread", t.doubtful)
	}
	if w.stale() {
		why("newer metadata may stand in a part of the journal that could not be used")
	}
	if w.crossed > 0 {
		l.Complete = false
		why("%d entries are files that claim blocks which something else claims too, or which the allocation file calls free: none of them is called intact", w.crossed)
	}
	if w.disputed.miscounted {
		l.Complete = false
		why("the allocation file has another number of free blocks than the volume header's %d: what is allocated is not known", w.header.freeBlocks)
	}
	if w.crossed == 0 && w.shared.Len()+w.freed.Len() > 0 {
		l.Complete = false
		why("blocks of the volume's own structures are claimed twice, or the allocation file calls them free")
	}
	if n := len(w.opposed); n > 0 {
		l.Complete = false
		why("of %d files and folders the records and the threads do not agree on the name and the folder", n)
	}
	if n := len(w.names.miscounted); n > 0 {
		l.Complete = false
		why("%d files with hard links count others than were found", n)
	}
	if w.adrift > 0 {
		l.Complete = false
		why("%d entries stand in folders that do not lead to the root", w.adrift)
	}
	have := w.known
	switch {
	case !w.alternate && !w.headerStale:
		want := int64(w.header.fileCount) + int64(w.header.folderCount)
		if want > have {
			l.UnreadRecords = want - have
		}
		if want != have {
			l.Complete = false
			why("the volume header counts %d files and folders, the catalog has the records of %d", want, have)
		}
	case t.headerOK:
		if n := int64(t.header.leafRecords) - c.records; n > 0 {
			// most files and folders have two: their own and a thread
			l.Complete = false
			l.UnreadRecords = (n + 1) / 2
			why("the catalog file's header counts %d records, of which %d were read", t.header.leafRecords, c.records)
		}
	default:
		l.Complete = false
		why("how many files there should be is not known: the volume header is unread")
	}
	if !l.Complete && l.UnreadRecords == 0 {
		l.UnreadRecords = max(c.lost, 0)
	}
	if c.nameless > 0 {
		why("%d files are known by nothing but a part of their records", c.nameless)
	}
	if !slices.ContainsFunc(w.header.allocation.runs[:], func(r blockRun) bool { return r.count > 0 }) {
		l.Complete = false
		why("the volume header tells of no allocation file: what is allocated is not known")
	} else {
		n, _, err := claims.Unclaimed(ctx, space)
		if err != nil {
			return l, err
		}
		l.UnclaimedBytes = n
		if n > 0 && !w.disputed.miscounted {
			l.Complete = false
			why("%d bytes are allocated that no listed file claims", n)
		}
	}
	return l, nil
}

// lacks is what the volume needs that belongs to no listed entry.
func (w *lister) lacks() []ranges.Range {
	need := w.wanted(needs.Most)
	if w.alternate {
		need.Add(w.start+headerOffset, headerSize)
	}
	if w.headerStale {
		w.src.hidden(w.start+headerOffset, headerSize, need.Add)
	}
	need.AddAll(w.journal.needs)
	need.records(w.trees.catalog, idRootParent)
	if f := w.folder(idRoot); f == nil || f.children < f.valence || f.fromThread {
		need.records(w.trees.catalog, idRoot)
	}
	return need.Ranges()
}

// space is the use of every part of the volume.
func (w *lister) space() extract.Space {
	return w.claims.Space(w.start, w.header.bytes(), claims.Bitmap(w.allocated(), w.start, w.header.blockSize))
}

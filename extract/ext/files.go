package ext

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"fileassay/extract"
	"fileassay/extract/bitmap"
	"fileassay/extract/ranges"
)

// tally counts what the records of a part of the inode tables add to the listing.
type tally [counts]int64

// What a tally counts.
const (
	unreadInodes = iota // that may be in use
	condemned           // inodes in use that fail their checks
	unnamed             // files and folders that are listed without a name
	staleNames          // of inodes that are not in use
	orphans             // inodes in use without links: deleted but not yet freed
	doubtful            // inodes that contradict themselves
	crossed             // inodes that claim blocks which are claimed more than once
	freed               // inodes that claim blocks which a block bitmap calls free
	idle                // inodes that folders name and an inode bitmap calls free
	mistyped            // names of another kind of file than the inode is
	overnamed           // files with more names than their inodes count
	undernamed          // files with fewer
	miscounted          // folders that hold another number of folders than their inodes count
	cut                 // inodes of which not all that says where their blocks lie was read
	counts
)

// listed is what is listed of one chunk of the inode tables.
type listed struct {
	files   []*extract.File
	content []ranges.Range
	own     []ranges.Range
	tally   tally
	// fault is why the first condemned inode of the chunk is.
	fault string
}

// listFiles calls yield for every file, folder and link, by inode number and
// then in the order in which the names of one were found.
func (t *tree) listFiles(ctx context.Context, w *space, yield func(*extract.File) error) (sum tally, faults []string, err error) {
	// tables are walked to the end where names point into what has never been
	// used, so that no name is dropped without a word
	err = eachChunk(ctx, t.records, "inodes", true,
		func(c chunk) listed {
			l := lister{tree: t, contents: contents{newMapper(t.layout), &t.claimed}, c: c, namer: t.paths.Namer()}
			l.list()
			return l.out
		},
		func(l listed) error {
			for _, s := range l.content {
				w.owned.Files.Add(s.Start, s.Len())
			}
			for _, s := range l.own {
				w.own(s)
			}
			for k, n := range l.tally {
				sum[k] += n
			}
			if l.fault != "" && len(faults) < maxFaults {
				faults = append(faults, l.fault)
			}
			for _, f := range l.files {
				if err := yield(f); err != nil {
					return err
				}
			}
			return nil
		})
	return sum, faults, err
}

// lister lists one chunk of the inode tables.
type lister struct {
	*tree
	contents contents
	c        chunk
	namer    extract.Namer[uint32]
	bitmap   groupMap
	slab     []extract.File
	out      listed
}

func (l *lister) list() {
	used := l.groups.list[l.c.group].usedInodes(&l.sb)
	first := l.c.number(&l.sb, 0)
	// what follows the last inode ever used is read only where a name says so
	if l.c.first >= used && l.names.from(first) == l.names.from(first+l.c.count) {
		return
	}
	l.bitmap = l.inodeBitmap(l.c.group)
	next := l.names.from(first)
	l.readChunk(l.c, func(i uint32, rec *record) {
		from := next
		for next < len(l.names.list) && l.names.list[next].child == rec.Number {
			next++
		}
		if l.c.first+i < used || from < next {
			l.inode(l.c.first+i, rec, l.names.list[from:next])
		}
	})
}

// inode lists an inode under its names.
func (l *lister) inode(i uint32, rec *record, names []name) {
	if l.ownInode(rec.Number) {
		l.structure(rec)
		return
	}
	names = slices.DeleteFunc(slices.Clone(names), func(n name) bool { // that stand in remnants of folders
		f := l.find(n.parent)
		return f != nil && f.ghost
	})
	switch rec.state {
	case recordLive:
		if rec.Flags&inodeEAInode != 0 && len(names) == 0 && l.sb.Incompat&incompatEAInode != 0 {
			l.own(l.contents.of(&rec.inode)) // the value of an attribute
			return
		}
		if len(names) == 0 && rec.Number != rootInode && l.unused(&l.bitmap, i) {
			return // a remnant in a table that was not cleared
		}
		l.live(rec, names, l.bitmap.proves && l.bitmap.Get(int64(i)) == bitmap.Clear)
	case recordFree:
		l.free(i, rec, names)
	case recordUnread:
		if rec.Number != rootInode && l.bitmap.mayBeUsed(i) || len(names) > 0 {
			l.out.tally[unreadInodes]++
		}
		l.nameOnly(rec, names, "its inode is unread")
	case recordCondemned:
		if len(names) > 0 || l.bitmap.mayBeUsed(i) {
			l.condemn(rec.why)
			l.nameOnly(rec, names, rec.why)
		}
	}
}

// condemn counts an inode in use that cannot be believed.
func (l *lister) condemn(why string) {
	l.out.tally[condemned]++
	if l.out.fault == "" {
		l.out.fault = why
	}
}

// free takes an inode that is of no file.
func (l *lister) free(i uint32, rec *record, names []name) {
	switch {
	case len(names) > 0 && !l.bitmap.mayBeUsed(i):
		l.out.tally[staleNames] += int64(len(names))
	case len(names) > 0:
		// a folder names it and nothing proves that it was freed: what was
		// read of its inode is not what was written
		why := fmt.Sprintf("inode %d is empty, although a folder names it", rec.Number)
		l.condemn(why)
		l.nameOnly(rec, names, why)
	case l.bitmap.Get(int64(i)) != bitmap.Set || !l.bitmap.sure:
	case rec.Mode == 0 && rec.Links == 0:
		l.condemn(fmt.Sprintf("inode %d is empty, although the inode bitmap calls it used", rec.Number))
	default:
		l.out.tally[orphans]++
		if rec.orphan(&l.bitmap, i) {
			n := rec.inode
			l.own(l.contents.of(&n))
		}
	}
}

// orphan reports whether an inode without links holds its blocks still: its
// file was open when the volume was last in use.
func (rec *record) orphan(m *groupMap, i uint32) bool {
	return rec.state == recordFree && rec.Mode != 0 && rec.Links == 0 && m.sure && m.Get(int64(i)) == bitmap.Set
}

// structure claims what one of the filesystem's own inodes holds.
func (l *lister) structure(rec *record) {
	if rec.state != recordLive && !(rec.state == recordFree && rec.Number < l.sb.FirstInode) {
		return
	}
	n := rec.inode
	n.asFile()
	if n.kind() != 0 && n.Flags&inodeInlineData == 0 && n.strange(&l.sb) == "" {
		l.own(l.contents.of(&n))
	}
}

// own claims what an inode holds for the filesystem's own structures.
func (l *lister) own(c content) {
	l.count(cut, c.cut)
	l.out.own = append(append(l.out.own, c.own...), c.files...)
}

// put lists a file under one of its names, or as unnamed without one.
func (l *lister) put(f extract.File, n *name) {
	if len(l.slab) == cap(l.slab) {
		l.slab = make([]extract.File, 0, 128)
	}
	if n == nil {
		l.out.tally[unnamed]++
		f.Path, f.Unnamed = extract.UnknownParent(f.ID), true
	} else {
		var shown string
		shown, f.NameBytes = extract.NameFromBytes(l.names.text(*n))
		f.Path, f.Deep = l.namer.Path(n.parent, shown)
	}
	l.slab = append(l.slab, f)
	l.out.files = append(l.out.files, &l.slab[len(l.slab)-1])
}

// count counts one more of what a tally counts, where that is so.
func (l *lister) count(what int, is bool) {
	if is {
		l.out.tally[what]++
	}
}

// live lists an inode in use. unused is set where the inode bitmap calls it free.
func (l *lister) live(rec *record, names []name, unused bool) {
	n := &rec.inode
	c := l.contents.of(n)
	l.out.own = append(l.out.own, c.own...)
	f := extract.File{ID: uint64(n.Number), Modified: n.Modified, Executable: n.isFile() && n.Mode&modeRun != 0,
		RecordUnread: c.doubt || c.crossed || c.freed || unused || l.groups.list[l.c.group].Guessed, Why: c.why, Needs: c.needs}
	if unused {
		f.Why = append(f.Why, "the inode bitmap calls its inode free")
	}
	l.count(doubtful, c.doubt)
	l.count(crossed, c.crossed)
	l.count(freed, c.freed)
	l.count(cut, c.cut)
	l.count(idle, unused)
	other := slices.DeleteFunc(slices.Clone(names), func(n name) bool { return !l.mistyped(rec, n) })
	l.out.tally[mistyped] += int64(len(other))
	if !n.isFile() && !n.isLink() { // which are listed under any name
		l.nameOnly(rec, other, "its inode is of another kind of file than the folder that names it says")
	}
	encrypted := n.Flags&inodeEncrypt != 0
	if encrypted && !n.isFolder() {
		f.Stored = extract.StoredEncrypted
	}
	switch {
	case n.isFolder():
		l.out.own = append(l.out.own, c.files...) // a folder's blocks
		if n.Number != rootInode {
			l.folder(f, n, &c)
		}
		return
	case n.isLink():
		f.Kind = extract.KindLink
		l.out.own = append(l.out.own, c.files...)
		if !encrypted {
			f.Target = targetShown(c.target)
		}
	case n.isFile():
		f.Kind, f.Size, f.Pieces = extract.KindFile, n.Size, c.pieces
		l.out.content = append(l.out.content, c.files...)
		if encrypted {
			f.Why = append(f.Why, "its content is encrypted")
		}
	default:
		return // a device, pipe or socket
	}
	if len(names) == 0 {
		l.put(f, nil)
		return
	}
	switch {
	case int(n.Links) > len(names):
		l.count(undernamed, true)
		f.Why = append(f.Why, fmt.Sprintf("it has %d names, of which %d were found", n.Links, len(names)))
	case int(n.Links) < len(names) && l.found == 0:
		// which of them are another file's is not known
		l.count(overnamed, true)
		f.RecordUnread = true
		f.Why = append(f.Why, fmt.Sprintf("its inode counts %d names, and %d were found", n.Links, len(names)))
	}
	for i := range names {
		f := f
		if l.mistyped(rec, names[i]) {
			f.RecordUnread = true
			f.Why = append(slices.Clip(f.Why), "the folder that names it says it is another kind of file than its inode")
		}
		l.put(f, &names[i])
	}
}

// mistyped reports whether a name says that the inode is of another kind.
func (l *lister) mistyped(rec *record, n name) bool {
	return n.kind() != direntUnknown && n.kind() != direntType(rec.kind())
}

// folder lists a folder under the name it goes by.
func (l *lister) folder(f extract.File, n *inode, c *content) {
	t := l.find(n.Number)
	if t == nil || t.ghost {
		return
	}
	l.count(miscounted, n.Links != 1 && uint32(n.Links) != t.subs+2) // 1 stands for too many to count
	f.Kind, f.RecordUnread, f.EntriesUnread = extract.KindFolder, false, t.cut || f.RecordUnread && !c.crossed
	if t.cut {
		f.Needs = l.needsOfFolder(c)
	}
	for _, why := range l.why[n.Number] {
		if !slices.Contains(f.Why, why) {
			f.Why = append(f.Why, why)
		}
	}
	if n.Flags&inodeEncrypt != 0 {
		f.Why = append(f.Why, "the names in it are encrypted")
	}
	if t.name < 0 {
		l.put(f, nil)
	} else {
		l.put(f, &l.names.list[t.name])
	}
}

// nameOnly lists an inode whose record says nothing under its names.
func (l *lister) nameOnly(rec *record, names []name, why string) {
	for i, n := range names {
		f := extract.File{ID: uint64(rec.Number), NameOnly: true, Needs: l.needsOfRecord(rec.Number), Why: []string{why}}
		switch kind := n.kind(); {
		case l.namesFolder(n):
			f.Kind, f.EntriesUnread = extract.KindFolder, true
			f.Why = append(f.Why, l.why[rec.Number]...)
		case kind == direntFile, kind == direntUnknown:
			f.Kind, f.Size = extract.KindFile, -1
		case kind == direntLink:
			f.Kind = extract.KindLink
		default:
			continue // a device, pipe or socket
		}
		l.put(f, &names[i])
	}
}

// targetShown is a link's target for people.
func targetShown(target string) string {
	target, _, _ = strings.Cut(target, "\x00")
	parts := strings.Split(target, "/")
	for i, part := range parts {
		if part != "" && part != "." && part != ".." {
			parts[i], _ = extract.NameFromBytes([]byte(part))
		}
	}
	return strings.Join(parts, "/")
}

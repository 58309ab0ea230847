package ext

import (
	"context"
	"fmt"
	"slices"

	"fileassay/extract"
	"fileassay/extract/claims"
	"fileassay/extract/ranges"
)

// tally is what the records of a part of the inode tables add to the listing.
type tally struct {
	unread    int64 // unread inodes that may be in use
	condemned int64 // inodes in use that fail their checks
	unnamed   int64 // listed without a name
	nameless  int64 // condemned or unread inodes known only by name
	stale     int64 // names of inodes that are not in use
	orphans   int64 // inodes in use without links: deleted but not yet freed
	doubtful  int64 // inodes that contradict themselves
	crossed   int64 // inodes that claim blocks which are claimed more than once
}

func (t *tally) add(o tally) {
	t.unread += o.unread
	t.condemned += o.condemned
	t.unnamed += o.unnamed
	t.nameless += o.nameless
	t.stale += o.stale
	t.orphans += o.orphans
	t.doubtful += o.doubtful
	t.crossed += o.crossed
}

// part of a listing, of one chunk of the inode tables.
type listed struct {
	files    []*extract.File
	content  []ranges.Range
	own      []ranges.Range
	tally    tally
	firstBad string // the first condemned inode of the chunk
}

// walk calls yield for every file, folder and link, by inode number and then
// in the order in which the names of one were found.
func (v *Volume) walk(ctx context.Context, yield func(*extract.File) error) error {
	v.claims = claims.Owned{}
	v.claimSystem()
	t, err := v.readTree(ctx)
	if err != nil {
		return err
	}
	for _, b := range t.lost {
		v.claimOwn(v.span(b, 1))
	}
	// tables are walked to the end where names point into what has never been
	// used, so that no name is dropped without a word
	chunks := v.chunks(true)
	var sum tally
	var faults []string
	var done int64
	err = extract.InOrder(ctx, v.opt.Workers(), len(chunks),
		func(_ context.Context, i int) (listed, error) {
			l := lister{v: v, t: t, p: v.newMapper(), c: chunks[i], paths: t.paths.Namer()}
			l.list()
			return l.out, nil
		},
		func(l listed) error {
			for _, s := range l.content {
				v.claims.Files.Add(s.Start, s.End-s.Start)
			}
			for _, s := range l.own {
				v.claimOwn(s)
			}
			sum.add(l.tally)
			if l.firstBad != "" && len(faults) < maxFaults {
				faults = append(faults, l.firstBad)
			}
			done++
			v.opt.Report("inodes", done, int64(len(chunks)))
			for _, f := range l.files {
				switch {
				case v.shape != nil:
					f.RecordUnread = true
					f.Why = append(f.Why, "the superblock is unread and no copy was found: whether this volume is what was last on the drive is not known")
				case v.journal.stale:
					f.RecordUnread = true
					f.Why = append(f.Why, v.journal.doubt())
				}
				if err := yield(f); err != nil {
					return err
				}
			}
			return nil
		})
	if err != nil {
		return err
	}
	return v.state(ctx, t, sum, faults)
}

// lister lists one chunk of the inode tables.
type lister struct {
	v     *Volume
	t     *tree
	p     *mapper
	c     chunk
	paths extract.Namer[uint32]
	bm    bitmap
	slab  []extract.File
	out   listed
}

func (l *lister) list() {
	v, t := l.v, l.t
	used := v.groups.list[l.c.group].usedInodes(&v.sb)
	next := t.names.from(l.c.number(v, 0))
	// what follows the last inode ever used is read only where a name says so
	if l.c.first >= used {
		end := t.names.from(l.c.number(v, l.c.count-1) + 1)
		if next == end {
			return
		}
	}
	l.bm = v.inodeBitmap(l.c.group)
	buf := v.scratch.Get().(*[]byte)
	defer v.scratch.Put(buf)
	v.readChunk(l.c, buf, func(i uint32, rec *record) {
		from := next
		for next < len(t.names.list) && t.names.list[next].child == rec.Number {
			next++
		}
		if l.c.first+i >= used && from == next {
			return
		}
		l.inode(l.c.first+i, rec, t.names.list[from:next])
	})
}

// inode lists an inode under its names.
func (l *lister) inode(i uint32, rec *record, names []name) {
	v := l.v
	if v.ownInode(rec.Number) {
		l.ownInode(rec)
		return
	}
	if len(names) > 0 {
		names = l.withoutGhosts(names)
	}
	switch rec.state {
	case recordLive:
		if rec.Flags&inodeEAInode != 0 {
			l.claimOwn(l.p.contentOf(&rec.inode)) // the value of an attribute
			return
		}
		if len(names) == 0 && rec.Number != rootInode && v.unused(&l.bm, i) {
			return // a remnant in a table that was not cleared
		}
		l.live(rec, names)
	case recordFree:
		l.free(i, rec, names)
	case recordUnread:
		if rec.Number != rootInode && l.bm.mayBeUsed(i) || len(names) > 0 {
			l.out.tally.unread++
		}
		l.nameOnly(rec, names, "its inode is unread")
	case recordCondemned:
		if len(names) == 0 && !l.bm.mayBeUsed(i) {
			return
		}
		l.out.tally.condemned++
		if l.out.firstBad == "" {
			l.out.firstBad = rec.why
		}
		l.nameOnly(rec, names, rec.why)
	}
}

// withoutGhosts leaves out the names that stand in remnants of folders.
func (l *lister) withoutGhosts(names []name) []name {
	ghost := func(n name) bool {
		f := l.t.find(n.parent)
		return f != nil && f.ghost
	}
	if !slices.ContainsFunc(names, ghost) {
		return names
	}
	return slices.DeleteFunc(slices.Clone(names), ghost)
}

// free takes an inode that is of no file.
func (l *lister) free(i uint32, rec *record, names []name) {
	set, known := l.bm.get(i)
	inUse := known && set
	blank := rec.Mode == 0 && rec.Links == 0
	switch {
	case len(names) > 0 && known && !set && l.bm.sure:
		l.out.tally.stale += int64(len(names))
	case len(names) > 0:
		// a folder names it and nothing proves that it was freed: what was
		// read of its inode is not what was written
		l.out.tally.condemned++
		why := fmt.Sprintf("inode %d is empty, although a folder names it", rec.Number)
		if l.out.firstBad == "" {
			l.out.firstBad = why
		}
		l.nameOnly(rec, names, why)
	case inUse && l.bm.sure && blank:
		l.out.tally.condemned++
		if l.out.firstBad == "" {
			l.out.firstBad = fmt.Sprintf("inode %d is empty, although the inode bitmap calls it used", rec.Number)
		}
	case inUse && l.bm.sure:
		l.out.tally.orphans++
	}
}

// ownInode claims what one of the filesystem's own inodes holds.
func (l *lister) ownInode(rec *record) {
	if rec.state != recordLive && !(rec.state == recordFree && rec.Number < l.v.sb.FirstInode) {
		return
	}
	n := rec.inode
	if n.Number == badBlocksInode || n.Number == resizeInode {
		n.Mode = n.Mode&^modeType | modeFile // the kernel gives them none, or a file's
	}
	if n.kind() == 0 || n.Flags&inodeInlineData != 0 || n.strange(&l.v.sb) != "" {
		return
	}
	l.claimOwn(l.p.contentOf(&n))
}

func (l *lister) claimOwn(c content) {
	l.out.own = append(l.out.own, c.own...)
	l.out.own = append(l.out.own, c.files...)
}

// new takes a File from the chunk's slab.
func (l *lister) new() *extract.File {
	if len(l.slab) == cap(l.slab) {
		l.slab = make([]extract.File, 0, 128)
	}
	l.slab = append(l.slab, extract.File{})
	return &l.slab[len(l.slab)-1]
}

// live lists an inode in use.
func (l *lister) live(rec *record, names []name) {
	v := l.v
	n := &rec.inode
	c := l.p.contentOf(n)
	l.out.own = append(l.out.own, c.own...)
	var f extract.File
	f.ID = uint64(n.Number)
	f.Modified = n.Modified
	f.Executable = n.isFile() && n.Mode&modeRun != 0
	f.RecordUnread = c.doubt || c.crossed
	f.Why = c.why
	f.Needs = c.needs
	if c.doubt {
		l.out.tally.doubtful++
	}
	if c.crossed {
		l.out.tally.crossed++
	}
	switch {
	case n.isFolder():
		l.out.own = append(l.out.own, c.files...) // a folder's blocks
		if n.Number == rootInode {
			return
		}
		l.folder(&f, n, &c)
		return
	case n.isLink():
		f.Kind = extract.KindLink
		f.Target, _ = targetShown(c.target)
		l.out.own = append(l.out.own, c.files...)
		if n.Flags&inodeEncrypt != 0 {
			f.Target, f.Stored = "", extract.StoredEncrypted
		}
	case n.isFile():
		f.Kind = extract.KindFile
		f.Size = n.Size
		f.Pieces = c.pieces
		l.out.content = append(l.out.content, c.files...)
		if n.Flags&inodeEncrypt != 0 {
			f.Stored = extract.StoredEncrypted
			f.Why = append(f.Why, "its content is encrypted")
		}
	default:
		return // a device, pipe or socket
	}
	if len(names) == 0 {
		l.unnamed(f)
		return
	}
	if int(n.Links) > len(names) && l.t.cutBlocks > 0 {
		f.Why = append(f.Why, fmt.Sprintf("it has %d names, of which %d were found", n.Links, len(names)))
	}
	_ = v
	for _, nm := range names {
		out := l.new()
		*out = f
		l.name(out, nm)
		l.out.files = append(l.out.files, out)
	}
}

// folder lists a folder under the name it goes by.
func (l *lister) folder(f *extract.File, n *inode, c *content) {
	f.Kind = extract.KindFolder
	t := l.t.find(n.Number)
	if t == nil || t.ghost {
		return
	}
	f.RecordUnread = false
	if f.EntriesUnread = t.cut || f.EntriesUnread; f.EntriesUnread {
		f.Needs = l.v.needsOfFolder(c)
	}
	for _, why := range l.t.why[n.Number] {
		if !slices.Contains(f.Why, why) {
			f.Why = append(f.Why, why)
		}
	}
	if n.Flags&inodeEncrypt != 0 {
		f.Why = append(f.Why, "the names in it are encrypted")
	}
	if t.name < 0 {
		l.unnamed(*f)
		return
	}
	out := l.new()
	*out = *f
	l.name(out, l.t.names.list[t.name])
	l.out.files = append(l.out.files, out)
}

// unnamed lists an inode in use that no folder that was read names.
func (l *lister) unnamed(f extract.File) {
	l.out.tally.unnamed++
	out := l.new()
	*out = f
	out.Path = extract.UnknownParent(f.ID)
	out.Unnamed = true
	l.out.files = append(l.out.files, out)
}

// name gives a file its path.
func (l *lister) name(f *extract.File, n name) {
	shown, exact := extract.NameFromBytes(l.t.names.of(n))
	f.Path, f.Deep = l.paths.Path(n.parent, shown)
	f.NameBytes = exact
}

// nameOnly lists an inode whose record says nothing under its names.
func (l *lister) nameOnly(rec *record, names []name, why string) {
	for _, nm := range names {
		f := l.new()
		f.ID = uint64(rec.Number)
		f.Size = -1
		switch kind := nm.kind(); {
		case l.t.namesFolder(nm):
			f.Kind = extract.KindFolder
			f.Size = 0
			f.EntriesUnread = true
		case kind == direntFile, kind == direntUnknown:
			f.Kind = extract.KindFile
		case kind == direntLink:
			f.Kind = extract.KindLink
			f.Size = 0
		default:
			continue // a device, pipe or socket
		}
		f.NameOnly = true
		f.Needs = l.v.needsOfRecord(rec.Number)
		f.Why = []string{why}
		if f.Kind == extract.KindFolder {
			f.Why = append(f.Why, l.t.why[rec.Number]...)
		}
		l.name(f, nm)
		l.out.tally.nameless++
		l.out.files = append(l.out.files, f)
	}
}

// targetShown is a link's target for people.
func targetShown(target string) (string, bool) {
	for i := 0; i < len(target); i++ {
		if target[i] == 0 {
			target = target[:i]
			break
		}
	}
	shown := ""
	for i, part := range splitPath(target) {
		if i > 0 {
			shown += "/"
		}
		if part == "" || part == "." || part == ".." {
			shown += part
			continue
		}
		s, _ := extract.NameFromBytes([]byte(part))
		shown += s
	}
	return shown, true
}

func splitPath(s string) []string {
	var out []string
	from := 0
	for i := 0; i < len(s); i++ {
		if s[i] == '/' {
			out = append(out, s[from:i])
			from = i + 1
		}
	}
	return append(out, s[from:])
}

package ntfs

import (
	"bytes"
	"cmp"
	"context"
	"slices"

	"fileassay/extract"
	"fileassay/extract/ranges"
)

// folder is what must be remembered of a folder: how its path goes on upward.
type folder struct {
	seq    uint16
	parent reference
	name   string // as shown
}

// recordMark is what is remembered of every record: its state, and whether
// folders should be asked for names that it could not give.
type recordMark uint8

const (
	markState recordMark = 7      // mask of the recordState
	markNeedy recordMark = 1 << 3 // unread, damaged, or with names missing
)

func (m recordMark) state() recordState { return recordState(m & markState) }
func (m recordMark) needy() bool        { return m&markNeedy != 0 }

// census is what the first pass over the table finds.
type census struct {
	marks   []recordMark
	seqs    []uint16
	folders map[uint64]folder
	// extends lists the extension records of records, sorted
	extends []extension
	// parents are the folders that some record names as its own
	parents map[uint64]uint16
	// names that folders gave for needy records, by record
	names map[uint64][]nameOnly
	// trust judges the used records that were found by themselves
	trust map[uint64]trust
	// shared are the parts of the image that two attributes claim
	shared ranges.Set
	done   bool
	// torn are folders with an index that was not wholly read
	torn map[uint64]bool
}

// extension says that a record holds further attributes of another.
type extension struct{ base, record uint64 }

// censusChunk is the part of a census that one chunk of the table gives.
type censusChunk struct {
	marks   []recordMark
	seqs    []uint16
	numbers []uint64
	folders []folder
	extends []extension
	claims  []ranges.Range
	listed  []uint64 // records that attribute lists name
	parents []reference
	// unresolved are folders whose name stands in an extension record
	unresolved []uint64
	// apart are other records of which some name stands in an extension record
	apart []uint64
}

// takeCensus passes over the table once.
func (v *Volume) takeCensus(ctx context.Context) error {
	t := v.table
	c := &v.census
	c.marks = make([]recordMark, 0, t.count)
	c.seqs = make([]uint16, 0, t.count)
	c.folders, c.parents = map[uint64]folder{}, map[uint64]uint16{}
	c.names, c.torn = map[uint64][]nameOnly{}, map[uint64]bool{}
	var unresolved, apart, listed []uint64
	var claims []ranges.Range
	done := int64(0)
	err := extract.InOrder(ctx, v.opt.Workers(), t.chunks(),
		func(_ context.Context, i int) (*censusChunk, error) { return v.censusOf(i) },
		func(k *censusChunk) error {
			c.marks = append(c.marks, k.marks...)
			c.seqs = append(c.seqs, k.seqs...)
			for i, n := range k.numbers {
				c.folders[n] = k.folders[i]
			}
			c.extends = append(c.extends, k.extends...)
			for _, p := range k.parents {
				c.parents[p.number()] = p.seq()
			}
			unresolved = append(unresolved, k.unresolved...)
			apart = append(apart, k.apart...)
			listed = append(listed, k.listed...)
			claims = append(claims, k.claims...)
			done += int64(len(k.marks)) * t.recordSize
			v.opt.Report("file table", done, t.stream.size)
			return nil
		})
	if err != nil {
		return err
	}
	slices.SortFunc(c.extends, extension.compare)
	c.done = true
	c.shared = overlaps(claims)
	for _, n := range listed {
		if n < uint64(len(c.marks)) && c.marks[n].needy() && c.marks[n].state() != recordUsed {
			v.extending[n] = true
		}
	}
	for _, n := range apart {
		if _, whole := v.extensions(v.readRecord(n)); !whole {
			c.marks[n] |= markNeedy
		}
	}
	for _, n := range unresolved {
		rec := v.readRecord(n)
		exts, _ := v.extensions(rec)
		if names := v.names(rec, exts); len(names) > 0 {
			c.folders[n] = folder{seq: rec.seq, parent: names[0].parent, name: names[0].shown}
			c.parents[names[0].parent.number()] = names[0].parent.seq()
		} else {
			c.marks[n] |= markNeedy
		}
	}
	return nil
}

func (v *Volume) censusOf(chunk int) (*censusChunk, error) {
	k := &censusChunk{marks: make([]recordMark, 0, chunkRecords), seqs: make([]uint16, 0, chunkRecords)}
	last := reference(1<<64 - 1)
	err := v.eachRecord(chunk, func(rec *record) error {
		mark := recordMark(rec.state)
		if rec.state == recordUsed || rec.state == recordExtends {
			k.claims = v.appendClaims(k.claims, rec)
		}
		switch rec.state {
		case recordUnread, recordDamaged:
			mark |= markNeedy
		case recordExtends:
			k.extends = append(k.extends, extension{rec.base.number(), rec.number})
		case recordUsed:
			count, best := 0, fileName{}
			for i := range rec.attrs {
				a := &rec.attrs[i]
				if a.typ != attrFileName || !a.resident || !rec.bad.clean(a.valueOff, a.valueOff+a.valueLen) {
					continue
				}
				if !rec.folder { // only the parent is of interest here
					if a.valueLen >= nameText {
						count++
						if p := reference(le.Uint64(rec.data[a.valueOff+nameParent:])); p != last {
							k.parents = append(k.parents, p)
							last = p
						}
					}
					continue
				}
				if f, err := parseFileName(rec.data[a.valueOff : a.valueOff+a.valueLen]); err == nil {
					count++
					if count == 1 || best.space == nameDOS {
						best = f
					}
				}
			}
			if rec.folder {
				switch {
				case count > 0:
					name, _ := best.shown()
					k.numbers = append(k.numbers, rec.number)
					k.folders = append(k.folders, folder{seq: rec.seq, parent: best.parent, name: name})
					k.parents = append(k.parents, best.parent)
				case rec.number >= firstFile:
					k.unresolved = append(k.unresolved, rec.number)
				}
			}
			if rec.attr(attrList) != nil {
				list, _ := v.attributeList(rec)
				for _, e := range list {
					if n := e.ref.number(); n != rec.number && (len(k.listed) == 0 || k.listed[len(k.listed)-1] != n) {
						k.listed = append(k.listed, n)
					}
				}
			}
			if count < int(rec.links) && rec.attr(attrList) != nil {
				k.apart = append(k.apart, rec.number)
			}
			if v.table.isFound(rec.number) || !rec.whole || count < int(rec.links) && rec.attr(attrList) == nil || count == 0 && rec.attr(attrList) == nil {
				mark |= markNeedy
			}
		}
		if rec.number < firstFile && rec.number != recRoot {
			mark &^= markNeedy
		}
		k.marks = append(k.marks, mark)
		k.seqs = append(k.seqs, rec.seq)
		return nil
	})
	return k, err
}

// extensions reads the extension records of a record: those that its
// attribute list names, and, where the list was not wholly read, all that say
// they belong to it. whole is false where some are missing.
func (v *Volume) extensions(rec *record) (exts []*record, whole bool) {
	list, whole := v.attributeList(rec)
	want := map[uint64]bool{}
	seqs := map[uint64]uint16{} // that the list states
	for _, e := range list {
		if n := e.ref.number(); n != rec.number {
			want[n] = true
			seqs[n] = e.ref.seq()
		}
	}
	if !whole {
		i, _ := slices.BinarySearchFunc(v.census.extends, extension{base: rec.number}, extension.compare)
		for ; i < len(v.census.extends) && v.census.extends[i].base == rec.number; i++ {
			want[v.census.extends[i].record] = true
		}
	}
	numbers := make([]uint64, 0, len(want))
	for n := range want {
		if v.census.done && !v.census.hasExtension(rec.number, n) {
			whole = false // unread, or another's: a list that lies costs nothing
			continue
		}
		numbers = append(numbers, n)
	}
	slices.Sort(numbers)
	for _, n := range numbers {
		if n >= v.table.count {
			whole = false
			continue
		}
		x := v.readRecord(n)
		seq, stated := seqs[n]
		if x.state != recordExtends || x.base.number() != rec.number || rec.seq != 0 && x.base.seq() != rec.seq || stated && x.seq != seq {
			whole = false
			continue
		}
		if !x.whole {
			whole = false
		}
		exts = append(exts, x)
	}
	return exts, whole
}

// hasExtension reports whether a record says that it extends base.
func (c *census) hasExtension(base, record uint64) bool {
	_, ok := slices.BinarySearchFunc(c.extends, extension{base, record}, extension.compare)
	return ok
}

func (e extension) compare(o extension) int {
	return cmp.Or(cmp.Compare(e.base, o.base), cmp.Compare(e.record, o.record))
}

// names are the names of a record, DOS twins left out, in disk order.
func (v *Volume) names(rec *record, exts []*record) []nameOnly {
	var out []nameOnly
	var twins []nameOnly
	add := func(r *record) {
		for i := range r.attrs {
			a := &r.attrs[i]
			if a.typ != attrFileName || !a.resident || !r.bad.clean(a.valueOff, a.valueOff+a.valueLen) {
				continue
			}
			f, err := parseFileName(r.data[a.valueOff : a.valueOff+a.valueLen])
			if err != nil {
				continue
			}
			e := indexEntry{child: rec.ref(), fileName: f}
			n := e.listed()
			n.size = -1 // not kept current here
			if f.space == nameDOS {
				twins = append(twins, n)
			} else {
				out = append(out, n)
			}
		}
	}
	add(rec)
	for _, x := range exts {
		add(x)
	}
	return addTwins(out, twins)
}

// addTwins adds DOS names whose long twin is not among the names.
func addTwins(names, twins []nameOnly) []nameOnly {
	for _, d := range twins {
		if !slices.ContainsFunc(names, func(n nameOnly) bool {
			return n.parent == d.parent && (n.space == nameWin32 || n.space == nameDOS)
		}) {
			names = append(names, d)
		}
	}
	return names
}

// askFolders passes over the folders' indexes for the names of needy records,
// if there are any.
func (v *Volume) askFolders(ctx context.Context) error {
	c := &v.census
	if !slices.ContainsFunc(c.marks, recordMark.needy) && v.table.sized && len(v.table.missing()) == 0 {
		return nil
	}
	type found struct {
		names []nameOnly
		torn  []uint64
		bytes int64
	}
	done := int64(0)
	err := extract.InOrder(ctx, v.opt.Workers(), v.table.chunks(),
		func(_ context.Context, i int) (found, error) {
			var f found
			err := v.eachRecord(i, func(rec *record) error {
				f.bytes += v.table.recordSize
				if rec.state != recordUsed || !rec.folder || rec.number < firstFile && rec.number != recRoot {
					return nil
				}
				var exts []*record
				if rec.attr(attrList) != nil || !rec.whole {
					exts, _ = v.extensions(rec)
				}
				all := v.folderIndex(rec, exts, func(e indexEntry) {
					n := e.child.number()
					if n < firstFile || n < uint64(len(c.marks)) && !c.marks[n].needy() || n >= v.table.count && v.table.sized {
						return
					}
					if e.parent.number() != rec.number {
						return
					}
					if n < uint64(len(c.marks)) && c.marks[n].state() == recordUsed && c.seqs[n] != e.child.seq() && !v.table.isFound(n) {
						return // an entry of an earlier file
					}
					f.names = append(f.names, e.listed())
				})
				if !all {
					f.torn = append(f.torn, rec.number)
				}
				return nil
			})
			return f, err
		},
		func(f found) error {
			for _, n := range f.names {
				k := n.child.number()
				c.names[k] = append(c.names[k], n)
			}
			for _, n := range f.torn {
				c.torn[n] = true
			}
			done += f.bytes
			v.opt.Report("folders", done, v.table.stream.size)
			return ctx.Err()
		})
	if err != nil {
		return err
	}
	v.judgeFound()
	if err := v.findStrayBlocks(ctx); err != nil {
		return err
	}
	v.settleNames()
	return nil
}

// settleNames leaves out double names and twins, and makes folders of unread
// records known.
func (v *Volume) settleNames() {
	c := &v.census
	for n, list := range c.names {
		var long, twins []nameOnly
		for _, e := range list {
			if slices.ContainsFunc(long, e.same) || slices.ContainsFunc(twins, e.same) {
				continue
			}
			if e.space == nameDOS {
				twins = append(twins, e)
			} else {
				long = append(long, e)
			}
		}
		list = addTwins(long, twins)
		c.names[n] = list
		if _, known := c.folders[n]; !known && list[0].folder {
			c.folders[n] = folder{seq: list[0].child.seq(), parent: list[0].parent, name: list[0].shown}
			p := list[0].parent
			c.parents[p.number()] = p.seq()
		}
	}
}

func (n nameOnly) same(o nameOnly) bool {
	return n.parent == o.parent && n.shown == o.shown && bytes.Equal(n.exact, o.exact)
}

// setPaths makes the folders' paths ready.
func (v *Volume) setPaths() {
	folders := v.census.folders
	refs := make([]reference, 0, len(folders))
	for n, f := range folders {
		refs = append(refs, makeReference(n, f.seq))
	}
	slices.SortFunc(refs, func(a, b reference) int { return cmp.Compare(a.number(), b.number()) })
	v.paths = extract.NewPaths(slices.Values(refs), recRoot, reference.number, func(ref reference) (string, reference, bool) {
		f, ok := folders[ref.number()]
		if !ok || ref.number() < firstFile || f.seq != ref.seq() {
			return "", 0, false
		}
		return f.name, f.parent.folder(), true
	})
}

// folder is a reference to a folder as paths know it: the root has no sequence.
func (r reference) folder() reference {
	if r.number() == recRoot {
		return recRoot
	}
	return r
}

// placed is where a name stands.
type placed struct {
	path string
	deep bool // as extract.File has it
	own  bool // below the system's own folders
}

func (h *harvest) place(n *nameOnly) placed {
	var p placed
	parent := n.parent.folder()
	p.path, p.deep = h.namer.Path(parent, n.shown)
	top := h.namer.Top(parent)
	p.own = top != recRoot && top.number() < firstFile
	return p
}

package ntfs

import (
	"cmp"
	"context"
	"iter"
	"maps"
	"slices"

	"fileassay/extract"
	"fileassay/extract/bitmap"
	"fileassay/extract/claims"
	"fileassay/extract/needs"
	"fileassay/extract/ranges"
)

// folder is what must be remembered of a folder: how its path goes on upward.
type folder struct {
	seq    uint16
	short  bool // name is one that stands beside a long one
	parent reference
	name   string // as shown
}

// recordMark is what is remembered of every record: its state, whether it is a
// folder of which the names can be asked for, and whether folders should be
// asked for names that it could not give.
type recordMark uint8

const (
	markState  recordMark = 7      // mask of the recordState
	markNeedy  recordMark = 1 << 3 // unread, damaged, or with names missing
	markFolder recordMark = 1 << 4
	// used, and does not state its number: that it is in its place is not known
	markUnstated recordMark = 1 << 5
	markNamed    recordMark = 1 << 6 // and its folder names it by a name that stands in it
	markDiffers  recordMark = 1 << 7 // used, and some folder may have other names for it
)

func (m recordMark) state() recordState { return recordState(m & markState) }
func (m recordMark) needy() bool        { return m&markNeedy != 0 }

// names is what is known of the records and their names as a whole: from the
// first pass over the table, and where that left names open, from the folders'
// indexes and from index blocks that nothing leads to.
type names struct {
	*table
	marks   []recordMark
	seqs    []uint16
	tallies []tally // until the folders were passed over
	folders map[uint64]folder
	own     []ownName // of records that do not state their number, in their order
	// parents are the folders that some record names as its own
	parents map[uint64]uint16
	// extending are unread records that attribute lists name
	extending map[uint64]bool
	// byFolder are the names that folders gave for needy records and for those
	// that may differ, by record
	byFolder map[uint64][]indexEntry
	// torn are folders with an index that was not wholly read, or that is mixed:
	// that holds entries of other folders
	torn, mixed map[uint64]bool
	told        bool            // the records give all names, whatever the folders' lists lack
	claims      claims.Register // the clusters that attributes claim
	freed       ranges.Set      // those that the volume's bitmap calls free
	lastLSN     uint64          // the latest of the records in use
	damaged     int64           // records that were read but fail their checks
	strays      []int64         // where index blocks lie that were used although their folder's record is unread
	unlisted    int64           // children named by blocks that cannot be told from stale ones
}

// namesChunk is what one chunk of the table gives.
type namesChunk struct {
	*names
	extends  []extension
	withList []uint64 // records with an attribute list
	// unresolved are folders whose name stands in an extension record
	unresolved []uint64
	// apart are other records of which some name stands in an extension record
	apart []uint64
	// asking are records of whose content an extension record says what the
	// folder's word should be held against
	asking []uint64
	// apartNames are the names that extension records hold, apartSizes the sizes
	apartNames, apartSizes []apart
	list                   []fileName // of one record
}

// apart is the hash of what an extension record holds of its base record's file.
type apart struct {
	base, hash uint64
}

// readNames passes over the table for all names, and asks the folders for those
// that it does not give.
func readNames(ctx context.Context, t *table) (*names, error) {
	c := newNames(t, t.count)
	c.extending, c.byFolder, c.torn, c.mixed = map[uint64]bool{}, map[uint64][]indexEntry{}, map[uint64]bool{}, map[uint64]bool{}
	if err := c.readRecords(ctx); err != nil {
		return nil, err
	}
	defer func() { c.claims = claims.Register{} }() // of no use later, and large
	differ, err := c.holdNames(ctx)
	if err != nil {
		return nil, err
	}
	lacking := slices.ContainsFunc(c.marks, recordMark.needy) || !t.sized || len(t.missing()) > 0
	c.told = !lacking
	if !lacking && !differ && len(c.own) == 0 {
		return c, nil
	}
	if err := c.askFolders(ctx); err != nil {
		return nil, err
	}
	if err := c.judgeUnstated(ctx); err != nil {
		return nil, err
	}
	if lacking || len(c.strangers) > 0 {
		c.told = false
		if err := c.judgeFound(ctx); err != nil {
			return nil, err
		}
		if c.lackSome() {
			if err := c.findStrays(ctx); err != nil {
				return nil, err
			}
		}
	}
	c.settle()
	return c, nil
}

// newNames has room for n records.
func newNames(t *table, n uint64) *names {
	return &names{table: t, marks: make([]recordMark, 0, n), seqs: make([]uint16, 0, n), tallies: make([]tally, 0, n), folders: map[uint64]folder{}, parents: map[uint64]uint16{}}
}

// mark is what is known of a record. One past the table's known end is needy: a
// folder that names it knows better.
func (c *names) mark(n uint64) recordMark {
	if n < uint64(len(c.marks)) {
		return c.marks[n]
	}
	return markNeedy
}

// isUsed reports whether a record was read and is a file or folder of its own.
func (c *names) isUsed(n uint64) bool { return c.mark(n).state() == recordUsed }

// readRecords passes over the table once.
func (c *names) readRecords(ctx context.Context) error {
	var someApart, unresolved, asking, withList []uint64
	extends := []extension{}
	var apartNames, apartSizes []apart
	err := overTable(ctx, c.table, "file table", func(records iter.Seq[*record]) *namesChunk {
		k := &namesChunk{names: newNames(c.table, chunkRecords)}
		for rec := range records {
			k.add(rec)
		}
		return k
	}, func(k *namesChunk) error {
		c.marks = append(c.marks, k.marks...)
		c.seqs = append(c.seqs, k.seqs...)
		c.tallies = append(c.tallies, k.tallies...)
		apartNames, apartSizes = append(apartNames, k.apartNames...), append(apartSizes, k.apartSizes...)
		maps.Copy(c.folders, k.folders)
		maps.Copy(c.parents, k.parents)
		extends = append(extends, k.extends...)
		unresolved = append(unresolved, k.unresolved...)
		someApart = append(someApart, k.apart...)
		asking = append(asking, k.asking...)
		withList = append(withList, k.withList...)
		c.own = append(c.own, k.own...)
		c.claims.AddAll(&k.claims)
		c.damaged += k.damaged
		c.lastLSN = max(c.lastLSN, k.lastLSN)
		return nil
	})
	if err != nil {
		return err
	}
	for _, a := range apartNames {
		if a.base < uint64(len(c.tallies)) {
			c.tallies[a.base].names += a.hash
		}
	}
	for _, a := range apartSizes {
		if a.base < uint64(len(c.tallies)) && c.tallies[a.base].size == sizeApart {
			c.tallies[a.base].size = uint32(a.hash)
		}
	}
	slices.SortFunc(extends, extension.compare)
	c.extends = extends
	if err := c.crossClaims(ctx); err != nil {
		return err
	}
	var listed []extension // what attribute lists name
	for _, base := range withList {
		list, _ := c.attributeList(c.readRecord(base))
		for _, e := range list {
			x := extension{base, e.ref.number()}
			if x.record == base || len(listed) > 0 && listed[len(listed)-1] == x {
				continue
			}
			listed = append(listed, x)
			if x.record < c.count && c.mark(x.record).needy() && !c.isUsed(x.record) {
				c.extending[x.record] = true
			}
		}
	}
	c.findOrphans(listed)
	for _, n := range asking {
		if n >= firstFile && c.isUsed(n) {
			c.marks[n] |= markNeedy
		}
	}
	for _, n := range someApart {
		if f := c.file(c.readRecord(n)); !f.all {
			c.marks[n] |= markNeedy
		}
	}
	for _, n := range unresolved {
		f := c.file(c.readRecord(n))
		if list := f.names(); len(list) > 0 {
			c.addFolder(n, f.seq, list[0])
		} else {
			c.marks[n] |= markNeedy
		}
	}
	return nil
}

// crossClaims finds the clusters that are claimed twice, and those that are claimed
// and called free.
func (c *names) crossClaims(ctx context.Context) error {
	c.shared = c.claims.Twice()
	return c.findFreed(ctx)
}

// addFolder makes a folder known by one of its names.
func (c *names) addFolder(n uint64, seq uint16, name indexEntry) {
	shown, _ := name.shown()
	c.folders[n] = folder{seq: seq, short: name.space == nameDOS, parent: name.parent, name: shown}
	c.parents[name.parent.number()] = name.parent.seq()
}

// add takes a record.
func (k *namesChunk) add(rec *record) {
	mark, sum := recordMark(rec.state), tally{}
	if rec.state == recordDamaged || len(rec.torn) > 0 {
		k.damaged++
	}
	switch rec.state {
	case recordUnread, recordDamaged, recordBlank:
		mark |= markNeedy
	case recordExtends:
		k.extends = append(k.extends, extension{rec.base.number(), rec.number})
		for _, n := range k.namesOf(rec) {
			k.apartNames = append(k.apartNames, apart{rec.base.number(), n.hash()})
		}
		if n := rec.contentSize(); n >= 0 {
			k.apartSizes = append(k.apartSizes, apart{rec.base.number(), uint64(hashSize(n))})
		}
		if k.asksFolder(rec) {
			k.asking = append(k.asking, rec.base.number())
		}
	case recordUsed:
		mark |= k.addUsed(rec, &sum)
		k.lastLSN = max(k.lastLSN, rec.lastLSN())
	}
	k.claim(rec)
	if rec.number < firstFile && rec.number != recRoot {
		mark &= markState
	}
	k.marks = append(k.marks, mark)
	k.seqs = append(k.seqs, rec.seq)
	k.tallies = append(k.tallies, sum)
}

// namesOf are the names that stand in a record. They are used again for the next.
func (k *namesChunk) namesOf(rec *record) []fileName {
	k.list = k.list[:0]
	for i := range rec.attrs {
		if a := &rec.attrs[i]; a.typ == attrFileName {
			if b, ok := rec.value(a); ok {
				if f, err := parseFileName(b); err == nil {
					k.list = append(k.list, f)
				}
			}
		}
	}
	return k.list
}

// claim takes the clusters that a record claims.
func (k *namesChunk) claim(rec *record) {
	if rec.state == recordUsed || rec.state == recordExtends {
		for _, e := range k.claimed(rec) {
			k.claims.Add(e.Image, e.Length)
		}
	}
}

// addUsed takes the names of a record in use, and what it says of others.
func (k *namesChunk) addUsed(rec *record, sum *tally) (mark recordMark) {
	list := k.namesOf(rec)
	count, best := len(list), indexEntry{}
	for i, f := range list {
		if p := f.parent.number(); p >= firstFile || p == recRoot { // below the others stand none of a customer's
			sum.names += f.hash()
		}
		if !rec.stated && rec.number >= firstFile {
			mark |= markUnstated
			k.own = append(k.own, ownName{hashName(f.parent, f.name), rec.number})
		}
		if !rec.folder {
			k.parents[f.parent.number()] = f.parent.seq()
		} else if i == 0 || best.space == nameDOS {
			best.fileName = f
		}
	}
	hasList := rec.attr(attrList, "") != nil
	if k.firm(rec, list) {
		if n := rec.contentSize(); n >= 0 {
			sum.size = hashSize(n)
		} else if hasList {
			sum.size = sizeApart
		}
	}
	sum.changed = k.lastChange(rec)
	if rec.folder {
		mark |= markFolder
		switch {
		case count > 0 && !(hasList && best.space == nameDOS): // the long name may stand elsewhere
			k.addFolder(rec.number, rec.seq, best)
		case rec.number >= firstFile:
			k.unresolved = append(k.unresolved, rec.number)
		}
	}
	if hasList {
		k.withList = append(k.withList, rec.number)
	}
	if hasList && count < int(rec.links) {
		k.apart = append(k.apart, rec.number)
	}
	if k.isFound(rec.number) || !rec.whole || !hasList && (count < int(rec.links) || count == 0) || k.asksFolder(rec) {
		mark |= markNeedy
	}
	return mark
}

// overFolders passes over the folders' indexes: work takes each entry that names a
// file, in several goroutines, and take what it makes of those of a part of the
// table, in order. It notes the folders of which a part was not read. step names the
// pass for people.
func overFolders[T any](ctx context.Context, c *names, step string, work func(*T, indexEntry), take func(*T)) error {
	type part struct {
		out         T
		torn, mixed []uint64
	}
	done := int64(0)
	return extract.InOrder(ctx, c.opt.Workers(), c.chunks(), func(_ context.Context, i int) (p part, err error) {
		from := i * chunkRecords
		for k, m := range c.marks[from:min(from+chunkRecords, len(c.marks))] {
			if m&markFolder == 0 {
				continue
			}
			dir := c.file(c.readRecord(uint64(from + k)))
			all, own := c.index(&dir).walk(func(e indexEntry) {
				if e.child.number() >= firstFile {
					work(&p.out, e)
				}
			})
			if !all || !own {
				p.torn = append(p.torn, dir.number)
			}
			if all && !own {
				p.mixed = append(p.mixed, dir.number)
			}
		}
		return p, nil
	}, func(p part) error {
		take(&p.out)
		for _, n := range p.torn {
			c.torn[n] = true
		}
		for _, n := range p.mixed {
			c.mixed[n] = true
		}
		done += chunkRecords * c.recordSize
		c.opt.Report(step, min(done, c.stream.size), c.stream.size)
		return nil
	})
}

// askFolders passes over the folders' indexes for the names of needy records, and of
// those that may differ.
func (c *names) askFolders(ctx context.Context) error {
	type found struct {
		names []indexEntry
		named []uint64 // records that do not state their number, and are in their place
	}
	var named []uint64
	err := overFolders(ctx, c, "names in folders", func(f *found, e indexEntry) {
		n := e.child.number()
		m := c.mark(n)
		if m&markUnstated != 0 && c.seqs[n] == e.child.seq() && c.owns(e) {
			f.named = append(f.named, n)
			m &^= markUnstated
		}
		if m&(markNeedy|markUnstated|markDiffers) != 0 {
			f.names = append(f.names, e)
		}
	}, func(f *found) {
		for _, n := range f.names {
			k := n.child.number()
			c.byFolder[k] = append(c.byFolder[k], n)
		}
		named = append(named, f.named...)
	})
	for _, n := range named {
		c.marks[n] |= markNamed
	}
	return err
}

// lackSome reports whether a record that may be in use was not read and has
// no name yet.
func (c *names) lackSome() bool {
	if !c.sized {
		return true
	}
	used := c.inUse(0, c.count)
	for i, m := range c.marks {
		if n := uint64(i); n >= firstFile && m.needy() && m.state() != recordUsed && used.Get(int64(i)) != bitmap.Clear &&
			len(c.byFolder[n]) == 0 && !c.extending[n] {
			return true
		}
	}
	return false
}

// given are the names that folders gave for a record, double ones and twins left out.
func (c *names) given(n uint64) (list []indexEntry) {
	once := nameSet{}
	for _, e := range c.byFolder[n] {
		if once.add(e) {
			list = append(list, e)
		}
	}
	return dropTwins(list)
}

// settle makes folders of unread records known. Of a folder that another one has by
// a name that it does not have of itself that name is believed, which drivers follow,
// and so is a long name where its own record gives a short one only.
func (c *names) settle() {
	for n := range c.byFolder {
		list := c.given(n)
		f, known := c.folders[n]
		if !known && list[0].folder {
			c.addFolder(n, list[0].child.seq(), list[0])
		}
		seq, isParent := c.parents[n] // what stands in it says
		if !isParent {
			seq = f.seq
		}
		i := slices.IndexFunc(list, func(e indexEntry) bool { return e.folder && e.child.seq() == seq && !c.isFound(e.parent.number()) })
		if j := slices.IndexFunc(list, func(e indexEntry) bool {
			return e.space != nameDOS && e.child.seq() == f.seq && e.parent == f.parent
		}); known && f.short && j >= 0 {
			c.addFolder(n, f.seq, list[j])
			continue
		}
		if known && i >= 0 && c.mark(n)&markDiffers != 0 && !slices.ContainsFunc(list, func(e indexEntry) bool {
			name, _ := e.shown()
			return e.child.seq() == f.seq && e.parent == f.parent && name == f.name
		}) {
			c.addFolder(n, seq, list[i])
		}
	}
}

// paths makes the folders' paths ready.
func (c *names) paths() *extract.Paths[reference] {
	refs := make([]reference, 0, len(c.folders))
	for n, f := range c.folders {
		refs = append(refs, makeReference(n, f.seq))
	}
	slices.SortFunc(refs, func(a, b reference) int { return cmp.Compare(a.number(), b.number()) })
	return extract.NewPaths(slices.Values(refs), recRoot, reference.number, func(ref reference) (string, reference, bool) {
		f, ok := c.folders[ref.number()]
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

// needs is what the volume needs that belongs to no listed entry: the file
// table's own records, and those of the root folder.
func (c *names) needs() []ranges.Range {
	if c.rebuilt {
		return c.firstNeeds()
	}
	list := needs.New(c.r, needs.Most)
	if c.journal.s == nil {
		c.needRest(list, c.readRecord(recLogFile))
	}
	c.journal.need(list)
	if c.missing() != nil {
		c.needRest(list, c.readRecord(recMFT))
	}
	if root := c.readRecord(recRoot); root.state != recordUsed {
		c.need(list, recRoot)
	} else {
		f := c.file(root)
		if !f.all {
			c.needRest(list, root)
		}
		if c.torn[recRoot] && !c.told {
			c.index(&f).need(list)
		}
	}
	return list.Ranges()
}

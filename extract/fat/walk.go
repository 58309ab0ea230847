package fat

import (
	"context"
	"fmt"
	"slices"
	"strconv"

	"fileassay/extract"
)

// summary is what the walk adds up for the listing.
type summary struct {
	tally      tally
	broken     int64 // folders whose clusters are not all known
	unnamed    int64 // listed without a name
	adopted    int64 // folders found without their entry
	chains     int64 // chains listed without a name
	chainBytes int64
	heads      int64 // chains that are evidence and no more
	doubtful   int64 // entries that cannot be vouched for
	cut        int64 // bytes of listed files in clusters that an unread entry hides
	split      int64 // chains broken where the copies of the table disagree
}

// Walk is the second walk: it yields every file and folder. Survey and Discover
// come before it.
func (t *tree) Walk(ctx context.Context, yield func(*extract.File) error) error {
	namer := t.paths().Namer()
	for i, n := range t.nodes {
		if err := ctx.Err(); err != nil {
			return err
		}
		t.late = i >= t.orphans
		for _, p := range n.parts {
			t.claims.Structures.Add(p.Image, p.Length)
		}
		if i > 0 && len(n.parts) == 0 {
			if n.broken != "" {
				t.sum.broken++
			}
			continue
		}
		t.sum.tally.add(n.tally)
		if !n.complete() && n.broken != "" {
			t.sum.broken++
		}
		if n.orphan {
			if err := yield(t.orphan(n)); err != nil {
				return err
			}
		}
		if err := t.list(ctx, int32(i), &namer, yield); err != nil {
			return err
		}
	}
	t.excessClaims()
	t.late = true
	return t.chains(ctx, yield)
}

// list yields what is in a folder.
func (t *tree) list(ctx context.Context, i int32, namer *extract.Namer[int32], yield func(*extract.File) error) error {
	var failed error
	n := t.nodes[i]
	kid, seen := 0, 0
	t.entries(n, func(e *entry) {
		if failed != nil {
			return
		}
		if seen++; seen&1023 == 0 {
			if failed = ctx.Err(); failed != nil {
				return
			}
		}
		if n.unknown && t.claimed.has(e.First) {
			if e.Folder {
				kid++
			}
			return
		}
		f := &extract.File{ID: t.geo.number(e.At), NameBytes: e.NameBytes, Kind: extract.KindFile, Size: e.Size,
			Modified: e.Modified, LocalTime: e.Local, Why: e.Why, RecordUnread: e.Doubtful}
		if e.Name == "" {
			f.Unnamed = true
			f.Path = extract.UnknownParent(f.ID)
			t.sum.unnamed++
		} else if e.Size == 0 && !e.Folder && (n.half || e.HalfNamed) {
			// nothing but its path is at stake, and that is not known
			f.Path = extract.Join(extract.UnknownParent(n.id), e.Name)
			f.Why = append(f.Why, fmt.Sprintf("it stands in the folder %q", namer.Folder(i)))
		} else {
			f.Path, f.Deep = namer.Path(i, e.Name)
		}
		if e.Doubtful {
			t.sum.doubtful++
		}
		if e.Doubtful || e.Name == "" || e.HalfNamed || e.NameOnly {
			f.Needs = t.needsOf(n, fewNeeds)
		}
		if n.doubt || t.sharedAt(e.At) {
			f.RecordUnread = true
			f.Why = append(f.Why, "the folder it stands in cannot be vouched for")
		}
		switch {
		case e.Folder:
			var k *node
			if kid < len(n.kids) {
				k = t.nodes[n.kids[kid]]
				kid++
			}
			t.folder(f, k)
		case e.NameOnly:
			f.NameOnly, f.RecordUnread, f.Size = true, true, -1
			guess := "a file, as its name looks like one's"
			if !looksFile(e.Name) {
				f.Kind, f.Size, f.EntriesUnread = extract.KindFolder, 0, true
				guess = "a folder, as its name looks like one's"
			}
			f.Why = append(f.Why, "by its name alone it is not known whether it is a file or a folder: it is taken for "+guess)
		default:
			t.content(f, e)
		}
		failed = yield(f)
	})
	return failed
}

// sharedAt reports whether the cluster at an image offset is claimed twice.
func (t *tree) sharedAt(at int64) bool {
	c, ok := t.geo.of(at)
	return ok && (t.shared.has(c) || t.late && t.claimed.has(c))
}

func (t *tree) folder(f *extract.File, n *node) {
	f.Kind, f.Size = extract.KindFolder, 0
	if n == nil {
		f.EntriesUnread = true
		return
	}
	if f.EntriesUnread = !n.complete(); f.EntriesUnread {
		f.Needs = append(f.Needs, t.needsOf(n, maxNeeds)...)
	}
	if n.tally.Unread > 0 {
		f.Why = append(f.Why, fmt.Sprintf("%d of its slots were not read", n.tally.Unread))
	}
	if n.broken != "" && !n.tally.Ended {
		f.Why = append(f.Why, n.broken)
	}
	if n.tally.Faulty > 0 {
		f.EntriesUnread = true
		f.Why = append(f.Why, fmt.Sprintf("%d of its slots make no sense", n.tally.Faulty))
	}
}

// orphan is the file that stands for a folder whose own entry was not read.
func (t *tree) orphan(n *node) *extract.File {
	t.sum.unnamed++
	t.sum.adopted++
	f := &extract.File{ID: n.id, Path: extract.UnknownParent(n.id), Unnamed: true, RecordUnread: true,
		Why: []string{"found by its own first slots: the entry with its name is unread"}}
	if n.first == 0 {
		f.Why[0] = "a part of a folder: the entry with its name, or what leads to this part, is unread"
	}
	if n.unknown {
		f.Why = append(f.Why, "whether it is still in use is not known, since the allocation map is unread here")
	}
	t.folder(f, n)
	f.EntriesUnread = f.EntriesUnread || n.first == 0
	return f
}

// content finds where a file's content lies.
func (t *tree) content(f *extract.File, e *entry) {
	if e.Size < 0 {
		f.RecordUnread = true
		return
	}
	need := t.geo.need(e.Size)
	if need == 0 {
		if n := t.longer[tail{e.First, true}]; n > 0 && e.First != 0 {
			f.Why = append(f.Why, fmt.Sprintf("it is empty, but has a chain of %d clusters", n))
		}
		return
	}
	if e.First == 0 {
		f.Why = append(f.Why, "its entry names no cluster: all of it is unlocated")
		return
	}
	var c followed
	switch {
	case e.Contiguous:
		n, ok := t.span(e.First, need)
		if !ok {
			c = followed{stop: stopRange, raw: e.First}
			break
		}
		c = t.locateRun(e.First, n)
		if n < need && c.stop == stopWhole {
			c.stop, c.raw = stopRange, t.geo.clusters+firstCluster
		}
		if t.overrun {
			f.RecordUnread = true
			f.Why = append(f.Why, "too many entries claim the same clusters to tell them apart")
		}
		if t.Vacant != nil && t.Vacant(e.First, n) {
			f.RecordUnread = true
			f.Why = append(f.Why, "the allocation bitmap calls some of its clusters free")
		}
	default:
		c = t.locate(e.First, need, need)
		if t.Vacant != nil && slices.ContainsFunc(c.runs, func(r run) bool { return t.Vacant(r.First, int64(r.Count)) }) {
			f.RecordUnread = true
			f.Why = append(f.Why, "the allocation bitmap calls some of its clusters free")
		}
	}
	located := min(c.n*t.geo.cluster, e.Size)
	f.Pieces = t.pieces(c.runs, e.Size, e.Valid)
	for _, r := range c.runs {
		t.claims.Files.Add(t.geo.at(r.First), int64(r.Count)*t.geo.cluster)
	}
	if c.stop != stopWhole {
		switch c.stop {
		case stopSplit:
			t.sum.split++
		case stopUnread:
			t.sum.cut += (need - c.n) * t.geo.cluster
		}
		f.Why = append(f.Why, c.why(located))
		w := needs{t: t, most: fewNeeds}
		if w.chain(&c, need-c.n); w.list != nil {
			f.Needs = append(f.Needs, w.list...)
		}
		if located >= e.Valid && c.stop != stopUnread {
			// what lies past the valid length is a hole, whose clusters do not
			// matter: but the chain is wrong
			f.RecordUnread = true
		}
		return
	}
	switch c.tail.Mark {
	case markNext:
		if n := t.longer[tail{c.at, false}]; n > 0 {
			f.Why = append(f.Why, fmt.Sprintf("its chain goes on for %d clusters past its size", n))
		} else {
			f.RecordUnread = true
			f.Why = append(f.Why, fmt.Sprintf("its chain goes on past its size, into cluster %d of another file or folder", c.tail.Raw))
		}
	case markFree, markBad, markInvalid:
		f.RecordUnread = true
		f.Why = append(f.Why, fmt.Sprintf("the allocation table does not end its chain after cluster %d but calls the cluster %s", c.at, c.tail.word()))
	}
	if c.tail.Mark == markUnread && t.splitAt(c.at) {
		f.RecordUnread = true
		f.Why = append(f.Why, fmt.Sprintf("the copies of the allocation table disagree about cluster %d and neither is proved right", c.at))
	}
	if c.chosen > 0 {
		f.Why = append(f.Why, fmt.Sprintf("the copies of the allocation table disagree in %d entries of its chain: the one that gives a chain of its size was used", c.chosen))
	}
	if c.second && t.count.Disagree > 0 {
		f.RecordUnread = true
		f.Why = append(f.Why, "its chain rests on the second copy of the allocation table, which does not agree with the first elsewhere")
	}
}

func (t *tree) splitAt(c uint32) bool { return t.choices[c].split }

func (v value) word() string {
	switch v.Mark {
	case markFree:
		return "free"
	case markBad:
		return "bad"
	}
	return fmt.Sprintf("%#x", v.Raw)
}

// pieces lays a file of size bytes, of which valid were written, over its
// runs.
func (t *tree) pieces(runs []run, size, valid int64) []extract.Piece {
	valid = min(valid, size)
	out := make([]extract.Piece, 0, len(runs)+1)
	off := int64(0)
	for _, r := range runs {
		if off >= valid {
			break
		}
		n := min(int64(r.Count)*t.geo.cluster, valid-off)
		out = append(out, extract.Piece{Offset: off, Length: n, Image: t.geo.at(r.First)})
		off += n
	}
	if valid < size {
		out = append(out, extract.Piece{Offset: valid, Length: size - valid, Kind: extract.Hole})
	}
	return out
}

// excessClaims claims for the files what their chains have past their ends.
func (t *tree) excessClaims() {
	for c := range t.excess.all() {
		t.claims.Files.Add(t.geo.at(c), t.geo.cluster)
	}
}

// chains lists what is in use and has neither name nor folder, where its start
// is known: a chain whose first cluster no other leads to. Where the table
// itself has gaps, it may be the rest of a listed file; then it is listed only
// if there are unread folder slots that it could belong to.
func (t *tree) chains(ctx context.Context, yield func(*extract.File) error) error {
	gaps := t.sum.tally.Unread > 0 || t.sum.tally.Faulty > 0 || t.sum.broken > 0
	listed := t.count.Unread == 0 || gaps
	var ends set // clusters that this walk has taken: t.found must not change under eachUnclaimed
	return t.eachUnclaimed(ctx, func(c uint32) error {
		e := t.table.entry(c)
		if t.preds.has(c) || ends.has(c) || t.Bitmap && e.Mark != markNext && e.Mark != markEnd {
			return nil
		}
		t.sum.heads++
		if !listed {
			return nil
		}
		f := t.follow(c, -1, int64(t.geo.clusters), func(c uint32, f *followed) stop {
			if t.taken(c) {
				return stopShared
			}
			if !ends.add(c) {
				return stopLoop
			}
			return stopWhole
		})
		file := &extract.File{ID: t.geo.number(t.geo.at(c)), Path: "?/chain-" + strconv.FormatUint(uint64(c), 10), Kind: extract.KindFile,
			Size: -1, Unnamed: true, RecordUnread: true, Pieces: t.pieces(f.runs, f.n*t.geo.cluster, f.n*t.geo.cluster),
			Why: []string{fmt.Sprintf("a chain of %d clusters without a name: its true size is at most %d bytes", f.n, f.n*t.geo.cluster)}}
		if f.stop != stopWhole {
			file.Why[0] = fmt.Sprintf("a chain of at least %d clusters without a name: its true size is not known", f.n)
		}
		if t.count.Unread > 0 {
			file.Why = append(file.Why, "it may be the rest of a listed file, since a part of the allocation table is unread")
		}
		for _, r := range f.runs {
			t.claims.Files.Add(t.geo.at(r.First), int64(r.Count)*t.geo.cluster)
		}
		t.sum.unnamed++
		t.sum.chains++
		t.sum.chainBytes += f.n * t.geo.cluster
		return yield(file)
	})
}

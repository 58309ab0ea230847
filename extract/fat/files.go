package fat

import (
	"context"
	"fmt"

	"fileassay/extract"
	"fileassay/extract/claims"
	"fileassay/extract/needs"
)

// files gives the files of a volume: the second walk, which decodes every folder
// again, names what stands in it and lays it over its clusters.
type files struct {
	*records
	namer  extract.Namer[*node]
	yield  func(*extract.File) error
	claims claims.Owned
	sum    summary
}

// summary is what the walk adds up for the listing.
type summary struct {
	tally      tally
	broken     int64 // folders whose clusters are not all known
	twice      int64 // names that another entry of their folder has too
	doubt      int64 // folders that cannot be vouched for
	unnamed    int64 // listed without a name
	adopted    int64 // folders found without their entry
	chains     int64 // chains listed without a name
	chainBytes int64
	heads      int64 // chains that are evidence and no more
	cut        int64 // bytes of listed files in clusters that an unread entry hides
}

// walk yields every file and folder.
func (t *files) walk(ctx context.Context) error {
	t.claims.Structures.Add(t.start, t.heap-t.start)
	for _, p := range t.own {
		t.claims.Structures.Add(p.Image, t.need(p.Length)*t.cluster)
	}
	for i, n := range t.nodes {
		if err := ctx.Err(); err != nil {
			return err
		}
		for _, p := range n.parts {
			t.claims.Structures.Add(p.Image, p.Length)
		}
		if !n.complete() && n.broken != "" {
			t.sum.broken++
		}
		if n.doubt || n.tally.Doubt {
			t.sum.doubt++
		}
		if i > 0 && len(n.parts) == 0 {
			continue
		}
		t.sum.tally.add(n.tally)
		if n.orphan {
			if err := t.yield(t.orphan(n)); err != nil {
				return err
			}
		}
		if err := t.list(ctx, n); err != nil {
			return err
		}
	}
	for c := range t.excess.all() {
		t.claims.Files.Add(t.at(c), t.cluster)
	}
	return t.unnamed(ctx)
}

// list yields what is in a folder.
func (t *files) list(ctx context.Context, n *node) error {
	var failed error
	names := map[string]bool{}
	kid, seen := 0, 0
	t.decode(n, func(e *entry) {
		if seen++; failed == nil && seen&1023 == 0 {
			failed = ctx.Err()
		}
		var k *node
		if e.Folder && kid < len(n.kids) {
			k = n.kids[kid]
			kid++
		}
		if failed != nil || n.unknown && t.by[byRoot].has(e.First) {
			return
		}
		f := &extract.File{ID: t.number(e.At), NameBytes: e.NameBytes, Kind: extract.KindFile, Size: e.Size,
			Modified: e.Modified, LocalTime: e.Local, Why: e.Why, RecordUnread: e.Doubtful}
		if e.Name == "" {
			f.Unnamed = true
			f.Path = extract.UnknownParent(f.ID)
			t.sum.unnamed++
		} else if e.Size == 0 && !e.Folder && (n.half || e.HalfNamed) {
			// nothing but its path is at stake, and that is not known
			f.Path = extract.Join(extract.UnknownParent(n.id), e.Name)
			f.Why = append(f.Why, fmt.Sprintf("it stands in the folder %q", t.namer.Folder(n)))
		} else {
			f.Path, f.Deep = t.namer.Path(n, e.Name)
		}
		if e.Name != "" && !e.Doubtful {
			if names[e.Name] {
				t.sum.twice++
			}
			names[e.Name] = true
		}
		if e.Doubtful || e.Name == "" || e.HalfNamed || e.NameOnly {
			f.Needs = t.needsOf(n, needs.New(t.r, needs.Few))
		}
		t.turn = n.rank
		if c, ok := t.of(e.At); n.doubt || ok && t.contested(c) {
			f.RecordUnread = true
			f.Why = append(f.Why, "the folder it stands in cannot be vouched for")
		}
		t.turn = n.rankOf(e)
		switch {
		case e.Folder:
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
		failed = t.yield(f)
	})
	return failed
}

// folder tells how much of a folder is known; n is nil where nothing is.
func (t *files) folder(f *extract.File, n *node) {
	f.Kind, f.Size = extract.KindFolder, 0
	if n == nil {
		f.EntriesUnread = true
		return
	}
	if f.EntriesUnread = !n.complete(); f.EntriesUnread {
		f.Needs = append(f.Needs, t.needsOf(n, needs.New(t.r, needs.Most))...)
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
func (t *files) orphan(n *node) *extract.File {
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

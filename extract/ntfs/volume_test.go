package ntfs

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/ntfs/ntfsimage"
	"fileassay/extract/ranges"
)

// span is n bytes of an image from at.
type span struct{ at, n int64 }

// reader reads img, of which the given spans were not read.
func reader(t testing.TB, img []byte, unread ...span) *image.Reader {
	t.Helper()
	list := make([]imap.Range, len(unread))
	for i, u := range unread {
		list[i] = imap.Range{Start: u.at, Length: u.n, State: imap.Failed}
	}
	size := int64(len(img))
	return image.New(bytes.NewReader(img), size, imap.All(size).With(list), image.Options{})
}

// listed is what a walk of a volume gave.
type listed struct {
	v     *Volume
	files map[string][]*extract.File
	paths []string // in order
	extract.Listing
	space extract.Space
}

// list opens and walks the volume that fills img.
func list(t testing.TB, img []byte, unread ...span) *listed {
	t.Helper()
	l, err := listReader(reader(t, img, unread...), int64(len(img)))
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func listReader(r *image.Reader, length int64) (*listed, error) {
	ctx := context.Background()
	v, err := Open(ctx, r, 0, length, extract.Options{Threads: 2})
	if err != nil {
		return nil, err
	}
	return listOpen(v)
}

// listOpen lists an open volume.
func listOpen(v *Volume) (*listed, error) {
	ctx := context.Background()
	l := &listed{v: v, files: map[string][]*extract.File{}}
	survey, err := v.Walk(ctx, func(f *extract.File) error {
		l.files[f.Path] = append(l.files[f.Path], f)
		l.paths = append(l.paths, f.Path)
		return nil
	})
	if err != nil {
		return nil, err
	}
	l.Listing, l.space = survey.Listing, survey.Space
	return l, nil
}

func (l *listed) file(t testing.TB, path string) *extract.File {
	t.Helper()
	if n := len(l.files[path]); n != 1 {
		t.Fatalf("%q is listed %d times; listed are %q", path, n, l.paths)
	}
	return l.files[path][0]
}

func (l *listed) none(t testing.TB, path string) {
	t.Helper()
	if n := len(l.files[path]); n != 0 {
		t.Errorf("%q is listed %d times", path, n)
	}
}

// content puts together what the pieces of a file lead to; gaps are what they
// do not.
func content(r *image.Reader, img []byte, f *extract.File) (b []byte, gaps []ranges.Range) {
	b = make([]byte, max(f.Size, 0))
	pos := int64(0)
	for _, p := range f.Pieces {
		if p.Offset > pos {
			gaps = append(gaps, ranges.Range{Start: pos, End: p.Offset})
		}
		pos = p.Offset + p.Length
		switch p.Kind {
		case extract.Hole:
		case extract.Data, extract.Patched:
			copy(b[p.Offset:], img[p.Image:p.Image+p.Length])
			if !r.IsRead(p.Image, p.Length) || !r.IsRead(p.Also, p.AlsoLength) {
				gaps = append(gaps, ranges.Range{Start: p.Offset, End: pos})
			}
		default:
			gaps = append(gaps, ranges.Range{Start: p.Offset, End: pos})
		}
	}
	if pos < f.Size {
		gaps = append(gaps, ranges.Range{Start: pos, End: f.Size})
	}
	return b, gaps
}

// holds checks that a file has the given content, all of it located and read.
func (l *listed) holds(t testing.TB, img []byte, path string, want []byte) *extract.File {
	t.Helper()
	f := l.file(t, path)
	got, gaps := content(l.v.r, img, f)
	if f.Size != int64(len(want)) || !bytes.Equal(got, want) || len(gaps) > 0 || f.RecordUnread || f.NameOnly {
		t.Errorf("%s: %d bytes, want %d; equal %v, gaps %v, record unread %v, name only %v, why %q",
			path, f.Size, len(want), bytes.Equal(got, want), gaps, f.RecordUnread, f.NameOnly, f.Why)
	}
	return f
}

func win(parent uint64, name string) []ntfsimage.Name {
	return []ntfsimage.Name{{Parent: parent, Text: name, Space: ntfsimage.Win32}}
}

const root = ntfsimage.Root

// shapes are volumes of all sizes of their parts.
var shapes = []ntfsimage.Params{
	{Cluster: 512, Clusters: 4000},
	{Cluster: 1024, Clusters: 2000},
	{Cluster: 2048, Clusters: 1000, Index: 2048},
	{Cluster: 4096, Clusters: 600},
	{Cluster: 4096, Clusters: 600, Record: 4096},
	{Cluster: 4096, Clusters: 600, Sector: 4096, Record: 4096},
	{Cluster: 4096, Clusters: 600, Record: 512, Records: 128},
	{Cluster: 512, Clusters: 4000, Fragments: 6, RunsPerRecord: 2, Records: 96},
	{Cluster: 1024, Clusters: 3000, Fragments: 9, RunsPerRecord: 1, Record: 4096, Records: 256},
	{Cluster: 64 << 10, Clusters: 60},
	{Cluster: 128 << 10, Clusters: 40},
	{Cluster: 2 << 20, Clusters: 16},
	{Cluster: 2 << 20, Clusters: 16, Sector: 4096, Record: 4096},
}

// populate fills a volume with some of everything, and returns what must be
// found.
func populate(v *ntfsimage.Volume) map[string][]byte {
	want := map[string][]byte{}
	c := v.P.Cluster
	folder := v.AddFolder(root, "Plates")
	deep := v.AddFolder(folder, "2019")
	add := func(parent uint64, path string, s ntfsimage.Stream) {
		want[path] = s.Data
		v.AddFile(parent, path[strings.LastIndexByte(path, '/')+1:], s)
	}
	few := 3
	if c > 64<<10 {
		few = 1
	}
	add(root, "empty.txt", ntfsimage.Stream{Data: []byte{}, Resident: true})
	add(folder, "Plates/resident.txt", ntfsimage.Stream{Data: ntfsimage.Content(1, 150), Resident: true})
	add(deep, "Plates/2019/one.tif", ntfsimage.Stream{Data: ntfsimage.Content(2, min(c, 5000)+1), Pieces: 1})
	add(deep, "Plates/2019/pieces.tif", ntfsimage.Stream{Data: ntfsimage.Content(3, few*c-7), Pieces: few})
	for i := range 20 {
		add(deep, fmt.Sprintf("Plates/2019/sheet %02d with a rather long name.txt", i), ntfsimage.Stream{Data: ntfsimage.Content(uint64(100+i), 60), Resident: true})
	}
	return want
}

func TestShapes(t *testing.T) {
	for _, p := range shapes {
		t.Run(fmt.Sprintf("cluster %d, sector %d, record %d, fragments %d", p.Cluster, p.Sector, p.Record, p.Fragments), func(t *testing.T) {
			v := ntfsimage.New(p)
			want := populate(v)
			img := v.Finish().Image
			sector := int64(v.P.Sector)
			record := int64(v.P.Record)
			check := func(t *testing.T, complete bool, unread ...span) {
				t.Helper()
				l := list(t, img, unread...)
				for path, b := range want {
					l.holds(t, img, path, b)
				}
				if len(l.paths) != len(want)+2 {
					t.Errorf("%d listed, not %d: %q", len(l.paths), len(want)+2, l.paths)
				}
				if l.Complete != complete || complete != (len(l.Listing.Why) == 0) {
					t.Errorf("complete %v: %q", l.Complete, l.Listing.Why)
				}
			}
			check(t, true)
			last := int64(len(img)) - sector
			for name, unread := range map[string][]span{
				"boot sector":        {{0, sector}},
				"copy":               {{last, sector}},
				"record 0":           {{v.RecordAt(0), record}},
				"records 0 to 3":     {{v.RecordAt(0), record}, {v.RecordAt(1), record}, {v.RecordAt(2), record}, {v.RecordAt(3), record}},
				"mirror":             {{v.At(v.Mirror), 4 * record}},
				"boot and record 0":  {{0, sector}, {v.RecordAt(0), record}},
				"journal and others": {{v.RecordAt(2), record}, {v.RecordAt(4), record}, {v.RecordAt(10), record}},
			} {
				if p.Sector == 4096 && v.P.Record < 4096 {
					continue
				}
				// the mark of a volume that was not closed stands in record 3, and its copy may be older
				t.Run(name, func(t *testing.T) { check(t, name != "records 0 to 3", unread...) })
			}
			// the copy of the boot sector is all that is left of the volume's head
			if l := list(t, img, span{0, sector}); !slices.ContainsFunc(l.v.Info().Notes, func(s string) bool { return strings.Contains(s, "copy at offset") }) {
				t.Errorf("notes do not say that the copy is used: %q", l.v.Info().Notes)
			}
		})
	}
}

// The stride of a record that was not read costs what stands in it, and no
// more.
func TestUnreadStride(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	// a record whose name stands in the first stride, and its data in the second
	long := strings.Repeat("n", 60)
	body := ntfsimage.Content(7, 400)
	n := v.AddFile(root, long, ntfsimage.Stream{Data: body, Resident: true})
	other := v.AddFile(root, "other.txt", ntfsimage.Stream{Data: ntfsimage.Content(8, 10000)})
	v.Finish()
	at := v.RecordAt(n)

	t.Run("all", func(t *testing.T) {
		l := list(t, v.Image)
		f := l.file(t, long)
		if !slices.ContainsFunc(f.Pieces, func(p extract.Piece) bool { return p.Kind == extract.Patched }) {
			t.Fatalf("the value does not lie across the end of a stride: %+v", f.Pieces)
		}
	})
	t.Run("second", func(t *testing.T) {
		l := list(t, v.Image, span{at + 512, 512})
		f := l.file(t, long)
		_, gaps := content(l.v.r, v.Image, f)
		if f.ID != n || f.NameOnly || len(gaps) == 0 || l.Complete {
			t.Errorf("%+v, gaps %v, complete %v", f, gaps, l.Complete)
		}
		for _, p := range f.Pieces {
			if p.Kind == extract.Hole {
				t.Errorf("a hole: %+v", p)
			}
		}
		l.holds(t, v.Image, "other.txt", ntfsimage.Content(8, 10000))
	})
	t.Run("first", func(t *testing.T) {
		l := list(t, v.Image, span{at, 512})
		f := l.file(t, long)
		if f.ID != n || !f.NameOnly || f.Size != int64(len(body)) || l.Complete || l.UnreadRecords != 1 {
			t.Errorf("%+v, listing %+v", f, l.Listing)
		}
	})
	t.Run("first, and torn", func(t *testing.T) {
		img := bytes.Clone(v.Image)
		img[at+510] ^= 1 // the fixup does not hold
		l := list(t, img)
		if f := l.file(t, long); !f.NameOnly || l.Complete {
			t.Errorf("%+v", f)
		}
	})
	t.Run("second torn", func(t *testing.T) {
		img := bytes.Clone(v.Image)
		img[at+1022] ^= 1
		l := list(t, img)
		f := l.file(t, long)
		if _, gaps := content(l.v.r, img, f); f.NameOnly || len(gaps) == 0 && !f.RecordUnread {
			t.Errorf("%+v: gaps %v", f, gaps)
		}
	})
	t.Run("runs in the second", func(t *testing.T) {
		l := list(t, v.Image, span{v.RecordAt(other) + 512, 512})
		l.holds(t, v.Image, "other.txt", ntfsimage.Content(8, 10000)) // only the slack of the record is there
	})
}

// A record that holds a part of a file's extents and was not read leaves just
// that part unlocated.
func TestUnreadExtension(t *testing.T) {
	for _, listOut := range []bool{false, true} {
		v := ntfsimage.New(ntfsimage.Params{})
		body := ntfsimage.Content(9, 8*4096-100)
		n := v.Add(ntfsimage.File{Names: win(root, "survey.db"), RunsPerRecord: 2, ListOut: listOut,
			Streams: []ntfsimage.Stream{{Data: body, Pieces: 8}}})
		v.Finish()
		ext := v.Extensions[n]
		if len(ext) != 3 {
			t.Fatalf("%d extension records", len(ext))
		}
		list(t, v.Image).holds(t, v.Image, "survey.db", body)
		for i, x := range ext {
			l := list(t, v.Image, span{v.RecordAt(x), 1024})
			f := l.file(t, "survey.db")
			got, gaps := content(l.v.r, v.Image, f)
			from, to := int64(2*(i+1)*4096), min(int64(2*(i+2)*4096), f.Size)
			if diff := cmp.Diff([]ranges.Range{{Start: from, End: to}}, gaps); diff != "" || f.Size != int64(len(body)) {
				t.Errorf("list out %v, record %d of %d unread: size %d, gaps %s", listOut, i, len(ext), f.Size, diff)
			}
			clear(got[from:to])
			want := bytes.Clone(body)
			clear(want[from:to])
			if !bytes.Equal(got, want) {
				t.Errorf("list out %v, record %d unread: the rest is not the file's", listOut, i)
			}
			if l.Complete {
				t.Error("complete")
			}
		}
		// with the list unread, the records themselves say whose they are
		if listOut {
			b := v.Record(n)
			a := int(le.Uint16(b[recordFirstAttr:]))
			for attrType(le.Uint32(b[a:])) != attrList {
				a += int(le.Uint32(b[a+attrLength:]))
			}
			var at int64
			place := &area{cluster: 4096, clusters: 1 << 20}
			if _, err := place.decodeRuns(b[a+int(le.Uint16(b[a+attrRunsOff:])):], 0, func(e extract.Extent) { at = e.Image }); err != nil {
				t.Fatal(err)
			}
			l := list(t, v.Image, span{at, 4096})
			f := l.file(t, "survey.db")
			if got, gaps := content(l.v.r, v.Image, f); !bytes.Equal(got, body) || len(gaps) > 0 {
				t.Errorf("list unread: gaps %v", gaps)
			}
			if l.Complete {
				t.Error("list unread, and the list of files is complete")
			}
		}
		// the base record unread: the folder knows the name, and the extents of the further records count
		l := list(t, v.Image, span{v.RecordAt(n), 1024})
		f := l.file(t, "survey.db")
		if !f.RecordUnread && !f.NameOnly || f.Size != int64(len(body)) || l.Complete {
			t.Errorf("base unread: %+v", f)
		}
		for _, p := range f.Pieces {
			if p.Kind == extract.Data && !bytes.Equal(v.Image[p.Image:p.Image+p.Length], body[p.Offset:p.Offset+p.Length]) {
				t.Errorf("base unread: piece %+v is not the file's", p)
			}
		}
	}
}

func TestNames(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{Label: "Herbar √"})
	a, b := v.AddFolder(root, "a"), v.AddFolder(root, "b")
	body := ntfsimage.Content(1, 300)
	n := v.Add(ntfsimage.File{Streams: []ntfsimage.Stream{{Data: body, Resident: true}, {Name: "notes", Data: []byte("side"), Resident: true}, {Name: "large", Data: ntfsimage.Content(2, 5000)}},
		Names: []ntfsimage.Name{
			{Parent: a, Text: "first long name.txt", Space: ntfsimage.Win32}, {Parent: a, Text: "FIRSTL~1.TXT", Space: ntfsimage.DOS},
			{Parent: b, Text: "second", Space: ntfsimage.POSIX}, {Parent: root, Text: "THIRD", Space: ntfsimage.Win32DOS}}})
	short := v.Add(ntfsimage.File{Streams: []ntfsimage.Stream{{Data: []byte("x"), Resident: true}},
		Names: []ntfsimage.Name{{Parent: b, Text: "ONLYSH~1", Space: ntfsimage.DOS}}})
	odd := v.Add(ntfsimage.File{Streams: []ntfsimage.Stream{{Data: []byte("y"), Resident: true}},
		Names: []ntfsimage.Name{{Parent: a, Units: []uint16{'.', '.'}, Space: ntfsimage.POSIX}, {Parent: a, Units: []uint16{'u', '/', 0xd800}, Space: ntfsimage.POSIX}}})
	v.Finish()
	names := []string{"a/first long name.txt", "b/second", "THIRD"}
	check := func(t *testing.T, l *listed) {
		t.Helper()
		for _, name := range names {
			if f := l.file(t, name); f.ID != n {
				t.Errorf("%s has id %d", name, f.ID)
			}
		}
		l.none(t, "a/FIRSTL~1.TXT")
		if f := l.file(t, "b/ONLYSH~1"); f.ID != short {
			t.Errorf("%+v", f)
		}
	}
	l := list(t, v.Image)
	check(t, l)
	if got := l.v.Info().Label; got != "Herbar √" {
		t.Errorf("label %q", got)
	}
	for _, name := range names {
		l.holds(t, v.Image, name, body)
		l.holds(t, v.Image, name+":notes", []byte("side"))
		if f := l.holds(t, v.Image, name+":large", ntfsimage.Content(2, 5000)); f.Kind != extract.KindStream {
			t.Errorf("%+v", f)
		}
	}
	if f := l.file(t, `a/\x2e\x2e`); f.ID != odd || !bytes.Equal(f.NameBytes, []byte{'.', 0, '.', 0}) {
		t.Errorf("%+v", f)
	}
	if f := l.file(t, `a/u\x2f\ud800`); f.ID != odd || !bytes.Equal(f.NameBytes, []byte{'u', 0, '/', 0, 0, 0xd8}) {
		t.Errorf("%+v", f)
	}
	t.Run("record unread", func(t *testing.T) {
		l := list(t, v.Image, span{v.RecordAt(n), 1024}, span{v.RecordAt(short), 1024})
		check(t, l)
		for _, name := range names {
			if f := l.file(t, name); !f.NameOnly || f.Size != 300 {
				t.Errorf("%+v", f)
			}
		}
		if l.UnreadRecords != 2 || l.Complete {
			t.Errorf("%+v", l.Listing)
		}
	})
	t.Run("record free by its own word alone", func(t *testing.T) {
		img := ntfsimage.New(ntfsimage.Params{})
		x := img.AddFile(root, "x", ntfsimage.Stream{Data: []byte("1"), Resident: true})
		img.Finish()
		img.EditRecord(x, func(b []byte) { le.PutUint16(b[recordFlags:], 0) })
		l := list(t, img.Image)
		if f := l.file(t, "x"); !f.NameOnly || l.Complete || l.UnreadRecords != 1 {
			t.Errorf("%+v, %+v", f, l.Listing)
		}
	})
}

// Folders that contain themselves, or whose parents are not known.
func TestParents(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	name := win(root, "a")
	name[0].NotIndexed = true // where a folder names it, that is its place
	a := v.Add(ntfsimage.File{Folder: true, Names: name})
	b := v.AddFolder(a, "b")
	c := v.AddFolder(b, "c")
	v.AddFile(c, "leaf", ntfsimage.Stream{Data: []byte("1"), Resident: true})
	old := v.Add(ntfsimage.File{Names: []ntfsimage.Name{{Parent: a, ParentSeq: 9, Text: "orphan", Space: ntfsimage.Win32}}, Streams: []ntfsimage.Stream{{Data: []byte("2"), Resident: true}}})
	v.Finish()
	l := list(t, v.Image)
	l.file(t, "a/b/c/leaf")
	if f := l.file(t, fmt.Sprintf("?/%d/orphan", a)); f.ID != old {
		t.Errorf("%+v", f)
	}

	// a's parent becomes c
	v.EditRecord(a, func(rec []byte) {
		off := int(le.Uint16(rec[recordFirstAttr:]))
		for attrType(le.Uint32(rec[off:])) != attrFileName {
			off += int(le.Uint32(rec[off+attrLength:]))
		}
		le.PutUint64(rec[off+int(le.Uint16(rec[off+attrValueOff:])):], uint64(makeReference(c, 1)))
	})
	l = list(t, v.Image)
	n := 0
	for path, f := range l.files {
		if f[0].Kind == extract.KindFile && strings.HasSuffix(path, "/leaf") {
			n++
			if !strings.HasPrefix(path, "?/") || len(path) > 40 {
				t.Errorf("the cycle's leaf is %q", path)
			}
		}
	}
	if n != 1 {
		t.Errorf("the leaf is listed %d times: %q", n, l.paths)
	}
	// itself
	v.EditRecord(b, func(rec []byte) {
		off := int(le.Uint16(rec[recordFirstAttr:]))
		for attrType(le.Uint32(rec[off:])) != attrFileName {
			off += int(le.Uint32(rec[off+attrLength:]))
		}
		le.PutUint64(rec[off+int(le.Uint16(rec[off+attrValueOff:])):], uint64(makeReference(b, 1)))
	})
	list(t, v.Image)
}

func TestUnreadFolder(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{Clusters: 600, Records: 128})
	deep := v.AddFolder(v.AddFolder(root, "Specimens"), "Tray B")
	var ids []uint64
	for i := range 60 {
		ids = append(ids, v.AddFile(deep, fmt.Sprintf("specimen %02d in the tray.txt", i), ntfsimage.Stream{Data: ntfsimage.Content(uint64(i), 100), Resident: true}))
	}
	v.Finish()
	if len(v.Blocks[deep]) < 2 {
		t.Fatalf("%d blocks", len(v.Blocks[deep]))
	}
	t.Run("its record", func(t *testing.T) {
		l := list(t, v.Image, span{v.RecordAt(deep), 1024})
		for i := range ids { // the folder above knows its name
			l.holds(t, v.Image, fmt.Sprintf("Specimens/Tray B/specimen %02d in the tray.txt", i), ntfsimage.Content(uint64(i), 100))
		}
		if f := l.file(t, "Specimens/Tray B"); f.Kind != extract.KindFolder || !f.NameOnly {
			t.Errorf("%+v", f)
		}
	})
	t.Run("its record and that above", func(t *testing.T) {
		l := list(t, v.Image, span{v.RecordAt(deep), 1024}, span{v.RecordAt(deep - 1), 1024})
		for i := range ids {
			l.holds(t, v.Image, fmt.Sprintf("?/%d/specimen %02d in the tray.txt", deep, i), ntfsimage.Content(uint64(i), 100))
		}
		if l.Complete {
			t.Error("complete")
		}
	})
	t.Run("its record and a file's", func(t *testing.T) {
		// the folder's blocks are found on the volume, for nothing leads to them
		l := list(t, v.Image, span{v.RecordAt(deep), 1024}, span{v.RecordAt(ids[7]), 1024})
		if f := l.file(t, "Specimens/Tray B/specimen 07 in the tray.txt"); !f.NameOnly || f.Size != 100 {
			t.Errorf("%+v", f)
		}
	})
	t.Run("one sector of a block", func(t *testing.T) {
		// all records are unread: names stand in the block alone
		var unread []span
		for _, id := range ids {
			unread = append(unread, span{v.RecordAt(id), 1024})
		}
		whole := list(t, v.Image, unread...)
		if whole.Complete {
			t.Error("complete")
		}
		for i := range ids {
			if f := whole.file(t, fmt.Sprintf("Specimens/Tray B/specimen %02d in the tray.txt", i)); f.ID != ids[i] || !f.NameOnly {
				t.Errorf("%+v", f)
			}
		}
		for s := range int64(8) {
			l := list(t, v.Image, append([]span{{v.Blocks[deep][0] + 512*s, 512}}, unread...)...)
			lost := 0
			for i := range ids {
				path := fmt.Sprintf("Specimens/Tray B/specimen %02d in the tray.txt", i)
				switch len(l.files[path]) {
				case 0:
					lost++
				case 1:
					if f := l.files[path][0]; f.ID != ids[i] {
						t.Errorf("sector %d: %s is %d", s, path, f.ID)
					}
				default:
					t.Errorf("sector %d: %s twice", s, path)
				}
			}
			// 512 bytes hold at most 5 entries of 128 bytes, and tear one at each end;
			// without the first sector nothing tells where entries begin
			if s > 0 && lost > 7 {
				t.Errorf("sector %d unread: %d names lost", s, lost)
			}
			if f := l.file(t, "Specimens/Tray B"); !f.EntriesUnread || l.Complete {
				t.Errorf("sector %d: %+v, complete %v", s, f, l.Complete)
			}
		}
	})
}

// Blocks that a folder no longer uses hold stale names, which name no file.
func TestStaleBlocks(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	victim := v.AddFile(root, "alive.txt", ntfsimage.Stream{Data: []byte("1"), Resident: true})
	f := v.Add(ntfsimage.File{Folder: true, InBlocks: true, Names: win(root, "box"), StaleChild: victim, StaleChildSeq: 1,
		Stale: []ntfsimage.Name{{Text: "stale.txt", Space: ntfsimage.Win32}}})
	v.AddFile(f, "inside.txt", ntfsimage.Stream{Data: []byte("2"), Resident: true})
	v.Finish()
	v.EditBlock(v.Blocks[f][len(v.Blocks[f])-1], func(b []byte) {
		first := blockHeader + int(le.Uint32(b[blockHeader:]))
		le.PutUint64(b[first+entryKey:], uint64(makeReference(f, 1)))
	})
	for _, unread := range [][]span{nil, {{v.RecordAt(victim), 1024}}, {{v.RecordAt(f), 1024}, {v.RecordAt(victim), 1024}}} {
		l := list(t, v.Image, unread...)
		for path := range l.files {
			if strings.Contains(path, "stale") {
				t.Errorf("%v unread: %q is listed", unread, path)
			}
		}
		l.file(t, "alive.txt")
		l.file(t, "box/inside.txt")
	}
}

func TestDirty(t *testing.T) {
	for _, dirty := range []bool{false, true} {
		v := ntfsimage.New(ntfsimage.Params{Dirty: dirty})
		v.AddFile(root, "x", ntfsimage.Stream{Data: []byte("1"), Resident: true})
		l := list(t, v.Finish().Image)
		said := slices.ContainsFunc(l.Listing.Why, func(s string) bool { return strings.Contains(s, "dirty") })
		if said != dirty || l.Complete == dirty {
			t.Errorf("dirty %v: complete %v, %q", dirty, l.Complete, l.Listing.Why)
		}
	}
}

// Allocated clusters that nothing claims make the list incomplete.
func TestUnclaimed(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	v.AddFile(root, "x", ntfsimage.Stream{Data: ntfsimage.Content(1, 9000)})
	v.Use(v.Alloc(3), 3)
	l := list(t, v.Finish().Image)
	if l.Complete || l.UnclaimedBytes != 3*4096 {
		t.Errorf("%+v", l.Listing)
	}
	var total int64
	use := map[extract.Use]int64{}
	pos := int64(0)
	if err := l.space(context.Background(), func(start, n int64, u extract.Use) error {
		if start != pos || n <= 0 {
			t.Errorf("range of %d bytes at %d, expected at %d", n, start, pos)
		}
		pos = start + n
		total += n
		use[u] += n
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if total != int64(len(v.Image)) || use[extract.UseFile] != 3*4096 || use[extract.UseUnclaimed] != 3*4096 || use[extract.UseUnknown] != 0 {
		t.Errorf("%d bytes of %d: %v", total, len(v.Image), use)
	}
}

// Two files that claim one cluster: neither is intact, and others are.
func TestCrossed(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	lcn := v.Alloc(2)
	v.AddFile(root, "a", ntfsimage.Stream{Data: ntfsimage.Content(1, 8000), Runs: []ntfsimage.Run{{LCN: lcn, Length: 2}}})
	v.AddFile(root, "b", ntfsimage.Stream{Data: ntfsimage.Content(2, 4000), Runs: []ntfsimage.Run{{LCN: lcn + 1, Length: 1}}})
	v.AddFile(root, "c", ntfsimage.Stream{Data: ntfsimage.Content(3, 4000)})
	v.Finish()
	l := list(t, v.Image)
	if !l.file(t, "a").RecordUnread || !l.file(t, "b").RecordUnread {
		t.Error("two claim a cluster, and one of them is believed")
	}
	l.holds(t, v.Image, "c", ntfsimage.Content(3, 4000))
}

package hfsplus

import (
	"bytes"
	"compress/zlib"
	"context"
	"encoding/binary"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/deeptest"
	"fileassay/extract/imap"
	"fileassay/extract/partial"
)

// sample is a volume with one of everything.
func sample() *builder {
	b := newBuilder()
	b.nextData = firstData
	b.folder(idRootParent, "Survey")
	maps := b.folder(idRoot, "maps")
	deep := b.folder(maps, "2019")
	b.file(deep, "sheet.tif", fileSpec{data: b.data(2, 1), size: 9000, mode: modeRegular})
	b.file(maps, "icon", fileSpec{data: b.data(1), size: 100, rsrc: b.data(1), rsize: 286, mode: modeRegular})
	b.file(idRoot, "empty", fileSpec{mode: modeRegular})
	link := b.data(1)
	b.content[link[0].start] = []byte("maps/2019")
	b.file(idRoot, "shortcut", fileSpec{data: link, size: 9, mode: modeLink | 0o777, kind: typeSymlink, creator: creatorSymlink})

	private := b.folder(idRoot, privateFiles)
	b.file(private, "iNode77", fileSpec{data: b.data(1), size: 4000, mode: modeRegular, special: 2})
	b.file(private, "temp99", fileSpec{data: b.data(1), size: 10, mode: modeRegular})
	b.file(maps, "first name", fileSpec{special: 77, kind: typeHardLink, creator: creatorHardLink})
	b.file(idRoot, "second name", fileSpec{special: 77, kind: typeHardLink, creator: creatorHardLink})

	dirs := b.folder(idRoot, privateFolders)
	shared := b.folder(dirs, "dir_500")
	b.file(shared, "within", fileSpec{mode: modeRegular})
	for _, name := range []string{"folder link a", "folder link b"} {
		b.file(maps, name, fileSpec{special: 500, kind: typeAliasFolder, creator: creatorMacs, flags: flagLinkChain})
	}
	nine := []uint32{1, 1, 1, 1, 1, 1, 1, 1, 2, 3, 1, 1, 1, 1, 1, 1, 1, 1, 1}
	b.file(idRoot, "scattered", fileSpec{data: b.data(nine...), size: 21*4096 + 5, mode: modeRegular})
	return b
}

func TestWalkSample(t *testing.T) {
	x := sample().build()
	v, list := walk(t, x.reader(t), x.size, extract.Options{})
	want := []string{"empty", "maps", "scattered", "second name", "shortcut",
		"maps/2019", "maps/first name", "maps/folder link a", "maps/folder link b", "maps/icon", "maps/icon:rsrc",
		"maps/2019/sheet.tif", "maps/folder link a/within"}
	if d := cmp.Diff(want, paths(list)); d != "" {
		t.Error(d)
	}
	l := v.Listing
	if !l.Complete || len(l.Why) > 0 || l.UnreadRecords != 0 {
		t.Errorf("listing: %+v", l)
	}
	info := v.Info()
	if info.Label != "Survey" || info.Filesystem != "hfsplus" || info.Cluster != 4096 {
		t.Errorf("info: %+v", info)
	}
	if a, b := find(t, list, "maps/first name"), find(t, list, "second name"); a.ID != b.ID || a.Size != 4000 || len(a.Pieces) != 1 ||
		!cmp.Equal(a.Pieces, b.Pieces) {
		t.Errorf("hard links: %+v, %+v", a, b)
	}
	if f := find(t, list, "shortcut"); f.Kind != extract.KindLink || f.Target != "maps/2019" || f.Size != 9 {
		t.Errorf("symbolic link: %+v", f)
	}
	a, b := find(t, list, "maps/folder link a"), find(t, list, "maps/folder link b")
	if a.Kind != extract.KindFolder || a.ID != b.ID || len(a.Why) != 0 || len(b.Why) != 1 {
		t.Errorf("links to a folder: %+v, %+v", a, b)
	}
	if f := find(t, list, "maps/icon:rsrc"); f.Kind != extract.KindStream || f.Size != 286 || len(f.Pieces) != 1 {
		t.Errorf("resource fork: %+v", f)
	}
	s := find(t, list, "scattered")
	var sum int64
	for _, p := range s.Pieces {
		if p.Offset != sum {
			t.Errorf("gap at %d", sum)
		}
		sum += p.Length
	}
	if sum != s.Size || len(s.Pieces) != 19 {
		t.Errorf("%d of %d bytes in %d pieces", sum, s.Size, len(s.Pieces))
	}
}

// TN1150, Extents Overflow File: what the overflow tree would locate is
// unlocated where it is unread; what a record behind an unread one locates is
// not.
func TestOverflowUnread(t *testing.T) {
	x := sample().build()
	at := int64(x.header.extents.runs[0].start)*4096 + 1024
	_, list := walk(t, x.reader(t, imap.Range{Start: at, Length: 1024, State: imap.Failed}), x.size, extract.Options{})
	s := find(t, list, "scattered")
	if len(s.Pieces) != 8 || s.Pieces[7].Offset != 7*4096 || s.Size != 21*4096+5 || len(s.Why) != 1 || !strings.Contains(s.Why[0], "overflow") {
		t.Errorf("%+v", s)
	}
	// the first of the two overflow records alone: 12 + 64 bytes from 14
	_, list = walk(t, x.reader(t, imap.Range{Start: at, Length: 512, State: imap.Failed}), x.size, extract.Options{})
	if s := find(t, list, "scattered"); len(s.Pieces) != 8 {
		t.Errorf("%+v", s)
	}
	b := sample()
	b.change = func(x *built) { // the first record becomes another file's
		binary.BigEndian.PutUint32(x.meta[at+descriptorSize+extFile:], 5000)
	}
	x = b.build()
	_, list = walk(t, x.reader(t), x.size, extract.Options{})
	s = find(t, list, "scattered")
	var offs []int64
	for _, p := range s.Pieces[8:] {
		offs = append(offs, p.Offset/4096)
	}
	if d := cmp.Diff([]int64{19, 20, 21}, offs); d != "" { // 8+2+3+6 blocks are located before them
		t.Error(d)
	}
}

// A node size of 512 bytes, the least (TN1150, B-trees), gives deep trees; the
// list is the same as with nodes of 8 KiB, and with every index node and the
// header unread.
func TestNodeSizes(t *testing.T) {
	many := func(node int) *builder {
		b := newBuilder()
		b.node = node
		b.nextData = firstData
		b.folder(idRootParent, "Survey")
		for i := range 40 {
			d := b.folder(idRoot, fmt.Sprintf("plot %02d", i))
			for k := range 20 {
				b.file(d, fmt.Sprintf("record %02d", k), fileSpec{data: b.data(1), size: 77, mode: modeRegular})
			}
		}
		return b
	}
	var want []string
	for _, node := range []int{4096, 512, 1024, 8192, 32768} {
		x := many(node).build()
		_, list := walk(t, x.reader(t), x.size, extract.Options{})
		if want == nil {
			want = paths(list)
		}
		if d := cmp.Diff(want, paths(list)); d != "" || len(want) != 40*21 {
			t.Errorf("nodes of %d bytes: %s", node, d)
		}
		var unread []imap.Range
		cat := x.header.catalog.runs[0]
		for at := 0; at < int(x.header.catalog.size); at += node {
			n := x.meta[int(cat.start)*4096+at:]
			if at == 0 || int8(n[nodeKind]) == kindIndex && n[nodeHeight] > 0 {
				unread = append(unread, imap.Range{Start: int64(cat.start)*4096 + int64(at), Length: int64(node), State: imap.Failed})
			}
		}
		v, list := walk(t, x.reader(t, unread...), x.size, extract.Options{})
		if d := cmp.Diff(want, paths(list)); d != "" {
			t.Errorf("nodes of %d bytes, index unread: %s", node, d)
		}
		for _, f := range list {
			if f.RecordUnread && node < 32768 { // of 32 KiB there are too few to be linked
				t.Errorf("nodes of %d bytes, index unread: %s is doubtful", node, f.Path)
				break
			}
		}
		if v.trees.catalog.nodeSize != node {
			t.Errorf("nodes of %d bytes taken for %d", node, v.trees.catalog.nodeSize)
		}
	}
}

// TestDeep lists chains of folders deeper than a path can be, by names of one byte and by
// long ones.
func TestDeep(t *testing.T) {
	for _, name := range []string{"d", strings.Repeat("d", 60)} {
		b := newBuilder()
		b.folder(idRootParent, "Survey")
		at := uint32(idRoot)
		for range 3000 {
			at = b.folder(at, name)
		}
		b.file(at, "bottom", fileSpec{mode: modeRegular})
		x := b.build()
		v, err := Open(context.Background(), x.reader(t), 0, x.size, extract.Options{Threads: 2})
		if err != nil {
			t.Fatal(err)
		}
		if deep, want := deeptest.List(t, v, 1, 3000), 3001-deeptest.Shown(name); deep != want {
			t.Errorf("%d entries do not show their whole path, want %d", deep, want)
		}
	}
}

// Folders whose parents go in a ring, and nodes whose links do, end.
func TestRings(t *testing.T) {
	b := sample()
	b.folder(3000, "a") // ids follow each other
	one := b.nextID - 1
	b.record(one+5, "ring", func() []byte {
		d := make([]byte, folderSize)
		copy(d, be16(typeFolder))
		copy(d[folderID:], be32(one+4))
		return d
	}())
	b.record(one+4, "ring back", func() []byte {
		d := make([]byte, folderSize)
		copy(d, be16(typeFolder))
		copy(d[folderID:], be32(one+5))
		return d
	}())
	b.file(one+5, "caught", fileSpec{mode: modeRegular})
	b.change = func(x *built) {
		cat := int(x.header.catalog.runs[0].start) * 4096
		for at := cat + 4096; at < cat+int(x.header.catalog.size); at += 4096 {
			binary.BigEndian.PutUint32(x.meta[at+nodeForward:], 1)
			binary.BigEndian.PutUint32(x.meta[at+nodeBackward:], 1)
		}
	}
	x := b.build()
	_, list := walk(t, x.reader(t), x.size, extract.Options{})
	i := slices.IndexFunc(list, func(f *extract.File) bool { return strings.HasSuffix(f.Path, "/caught") })
	if i < 0 || !strings.HasPrefix(list[i].Path, "?/") {
		t.Errorf("%q", paths(list))
	}
}

// The content of compressed files: by units of 64 KiB of content.
func TestCompressed(t *testing.T) {
	header := func(method uint32, size uint64) []byte {
		return slices.Concat(binary.LittleEndian.AppendUint32(nil, decmpfsMagic), binary.LittleEndian.AppendUint32(nil, method),
			binary.LittleEndian.AppendUint64(nil, size))
	}
	var packed bytes.Buffer
	w := zlib.NewWriter(&packed)
	fmt.Fprint(w, strings.Repeat("fern ", 100))
	w.Close()

	b := newBuilder()
	b.nextData = firstData
	b.folder(idRootParent, "Survey")
	add := func(name string, method uint32, size uint64, inline, rsrc []byte) {
		spec := fileSpec{owner: ownerCompressed, mode: modeRegular}
		if rsrc != nil {
			spec.rsrc = b.data(uint32((len(rsrc) + 4095) / 4096))
			spec.rsize = uint64(len(rsrc))
			b.content[spec.rsrc[0].start] = rsrc
		}
		id := b.file(idRoot, name, spec)
		b.inline(id, "com.apple.decmpfs", append(header(method, size), inline...))
	}
	le := func(v ...uint32) (out []byte) {
		for _, x := range v {
			out = binary.LittleEndian.AppendUint32(out, x)
		}
		return out
	}
	add("zlib inline", methodZlib, 500, packed.Bytes(), nil)
	add("raw inline", methodZlib, 5, []byte("\xFFbirch"), nil)
	add("plain inline", methodPlain, 5, []byte("birch"), nil)
	// three blocks of 700, 800 and 900 bytes behind their table
	zlibFork := slices.Concat(be32(256), be32(0), be32(0), be32(0), make([]byte, 240), be32(28+2400),
		le(3, 28, 700, 728, 800, 1528, 900), begun(2400+50, "\x78\x9c", 0, 700, 1500))
	add("zlib fork", methodZlibFork, 2*65536+10, nil, zlibFork)
	add("table fork", methodLZVNFork, 65536+1, nil, slices.Concat(le(12, 112, 5112), begun(5100, "\xe5", 0, 100)))
	add("unknown", 40, 65536+1, nil, make([]byte, 9000))
	add("bad table", methodZlibFork, 65536+1, nil, slices.Concat(be32(256), make([]byte, 256), le(2, 20, 1<<30, 5, 5), make([]byte, 100)))
	id := b.file(idRoot, "flag only", fileSpec{owner: ownerCompressed, mode: modeRegular})
	_ = id
	x := b.build()
	_, list := walk(t, x.reader(t), x.size, extract.Options{})
	attrs := int64(x.header.attributeFile.runs[0].start) * 4096
	for _, c := range []struct {
		name   string
		size   int64
		units  []int64 // lengths of the pieces, negative for plain data
		stored int64   // bytes
		unread bool
	}{
		{"zlib inline", 500, []int64{500}, int64(packed.Len()), false},
		{"raw inline", 5, []int64{-5}, 0, false},
		{"plain inline", 5, []int64{-5}, 0, false},
		{"zlib fork", 2*65536 + 10, []int64{65536, 65536, 10}, 2400, false},
		{"table fork", 65537, []int64{65536, 1}, 5100, false},
		{"unknown", 65537, []int64{65537}, 9000, true},
		{"bad table", 65537, nil, 0, false},
		{"flag only", -1, nil, 0, true},
	} {
		f := find(t, list, c.name)
		var units []int64
		var stored int64
		for _, p := range f.Pieces {
			if p.Kind == extract.Data {
				units = append(units, -p.Length)
				if p.Image < attrs || string(x.meta[p.Image:p.Image+p.Length]) != "birch" {
					t.Errorf("%s: at %d", c.name, p.Image)
				}
				continue
			}
			units = append(units, p.Length)
			for _, e := range p.Units {
				stored += e.Length
			}
		}
		if f.Size != c.size || !slices.Equal(units, c.units) || stored != c.stored || f.RecordUnread != c.unread {
			t.Errorf("%s: size %d, units %v of %d bytes, unread %v; want %+v (%v)", c.name, f.Size, units, stored, f.RecordUnread, c, f.Why)
		}
	}
	// with the attributes unread nothing is claimed of them
	_, list = walk(t, x.reader(t, imap.Range{Start: attrs + 4096, Length: 4096, State: imap.Skipped}), x.size, extract.Options{})
	if f := find(t, list, "zlib fork"); f.Size != -1 || !f.RecordUnread {
		t.Errorf("attributes unread: %+v", f)
	}
}

// A file with an unread record is named by its thread (TN1150, Catalog Thread
// Records).
func TestThreadNames(t *testing.T) {
	b := newBuilder()
	b.nextData = firstData
	b.node = 512
	b.folder(idRootParent, "Survey")
	d := b.folder(idRoot, "maps")
	for _, name := range []string{"list.txt", "sheet.tif", "table.txt"} {
		b.file(d, name, fileSpec{data: b.data(1), size: 10, mode: modeRegular})
	}
	x := b.build()
	cat := int64(x.header.catalog.runs[0].start) * 4096
	// the leaf that holds the file's own record
	for at := cat + 512; at < cat+int64(x.header.catalog.size); at += 512 {
		var n node
		if n.parse(0, partial.Bytes{Data: x.meta[at : at+512]}, catalogSize) != nil || n.kind != kindLeaf {
			continue
		}
		var names, threads int
		eachCatalog(&n, func(_ int, k *catalogRecord) {
			if isName(k.name, "sheet.tif") {
				names++
			} else if len(k.name) == 0 {
				threads++
			}
		})
		if names != 1 || threads > 0 {
			continue
		}
		v, list := walk(t, x.reader(t, imap.Range{Start: at, Length: 512, State: imap.Failed}), x.size, extract.Options{})
		f := find(t, list, "maps/sheet.tif")
		if !f.NameOnly || f.Size != -1 {
			t.Errorf("%+v", f)
		}
		if l := v.Listing; l.Complete || l.UnreadRecords < 1 {
			t.Errorf("%+v", l)
		}
		return
	}
	t.Fatal("no leaf with the file's record alone")
}

// The journal's files are the volume's own also where a thread alone names them.
func TestJournalThreads(t *testing.T) {
	for _, c := range []struct {
		name       string
		attributes uint32
		parent     uint32
		listed     bool
	}{
		{journalFile, attrUnmounted | attrJournaled, idRoot, false},
		{journalInfoFil, attrUnmounted | attrJournaled, idRoot, false},
		{journalFile, attrUnmounted, idRoot, true},
		{journalFile, attrUnmounted | attrJournaled, idFirstUser, true},
		{"journal", attrUnmounted | attrJournaled, idRoot, true},
	} {
		b := newBuilder()
		b.nextData = firstData
		b.attributes = c.attributes
		b.folder(idRootParent, "Survey")
		b.folder(idRoot, "maps")
		b.thread(900, typeFileThread, c.parent, c.name)
		x := b.build()
		_, list := walk(t, x.reader(t), x.size, extract.Options{})
		var listed bool
		for _, f := range list {
			listed = listed || f.ID == 900
		}
		if listed != c.listed {
			t.Errorf("%q in folder %d, attributes %#x: listed %v", c.name, c.parent, c.attributes, listed)
		}
	}
}

// The alternate header opens the volume (TN1150, Volume Header).
func TestAlternate(t *testing.T) {
	x := sample().build()
	_, want := walk(t, x.reader(t), x.size, extract.Options{})
	v, got := walk(t, x.reader(t, imap.Range{Start: 1024, Length: 512, State: imap.Failed}), x.size, extract.Options{})
	if d := cmp.Diff(paths(want), paths(got)); d != "" {
		t.Error(d)
	}
	if n := v.Info().Notes; len(n) == 0 || !strings.Contains(n[0], "alternate") {
		t.Errorf("%q", n)
	}
	if l := v.Listing; !l.Complete {
		t.Errorf("%+v", l)
	}
}

// Which folder is the private one its name in the root tells, and nothing else: a
// folder of which nothing is known may hold files that are only named alike.
func TestPrivateGuess(t *testing.T) {
	b := newBuilder()
	b.nextData = firstData
	b.folder(idRootParent, "Survey")
	b.file(idRoot, "link", fileSpec{special: 77, kind: typeHardLink, creator: creatorHardLink})
	b.file(900, "iNode77", fileSpec{data: b.data(1), size: 4000, mode: modeRegular})
	x := b.build()
	r := x.reader(t)
	_, list := walk(t, r, x.size, extract.Options{})
	if f := find(t, list, "link"); proven(f, r) || len(f.Pieces) > 0 {
		t.Errorf("%+v", f)
	}
	if f := find(t, list, "?/900/iNode77"); f.Size != 4000 {
		t.Errorf("%+v", f)
	}
}

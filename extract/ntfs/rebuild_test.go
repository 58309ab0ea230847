package ntfs

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/ntfs/ntfsimage"
)

// A volume may hold the image of another volume in a file. Where a part of its
// own table is unread, the other's records must not pass for its own.
func TestNestedVolume(t *testing.T) {
	inner := ntfsimage.New(ntfsimage.Params{Cluster: 1024, Clusters: 300})
	folder := uint64(45)
	inner.Add(ntfsimage.File{Number: folder, Folder: true, Names: win(root, "inner folder")})
	for n := uint64(40); n < 60; n++ {
		if n != folder {
			parent := uint64(root)
			if n%2 == 0 {
				parent = folder
			}
			inner.Add(ntfsimage.File{Number: n, Names: win(parent, fmt.Sprintf("inner %d.txt", n)), Streams: []ntfsimage.Stream{{Data: ntfsimage.Content(n, 2000)}}})
		}
	}
	inner.Finish()
	for _, split := range []int{0, 1} { // the table's extents in record 0, or in one more record
		outer := ntfsimage.New(ntfsimage.Params{Cluster: 1024, Clusters: 1500, Fragments: 2, RunsPerRecord: split})
		mine := outer.AddFile(root, "mine.txt", ntfsimage.Stream{Data: ntfsimage.Content(1, 3000)})
		other := outer.Add(ntfsimage.File{Number: 50, Names: win(root, "disk.img"), Streams: []ntfsimage.Stream{{Data: inner.Image}}})
		outer.Finish()
		list(t, outer.Image).holds(t, outer.Image, "disk.img", inner.Image)

		second := outer.RecordAt(32)
		unread := []span{{second, 32 * 1024}}
		if split == 0 {
			unread = append(unread, span{outer.RecordAt(0), 1024}, span{outer.At(outer.Mirror), 1024})
		} else {
			unread = append(unread, span{outer.RecordAt(outer.Extensions[0][0]), 1024})
		}
		l := list(t, outer.Image, unread...)
		for path, files := range l.files {
			f := files[0]
			if strings.Contains(path, "inner ") && (f.Kind != extract.KindFile || !f.RecordUnread && !f.NameOnly) {
				t.Errorf("split %d: %q of the inner volume is listed as a file of the outer: %+v", split, path, f)
			}
		}
		if f := l.file(t, "mine.txt"); f.ID != mine {
			t.Errorf("%+v", f)
		}
		if f := l.file(t, "disk.img"); f.ID != other || !f.NameOnly && !f.RecordUnread {
			t.Errorf("split %d: %+v", split, f)
		}
		if l.Complete {
			t.Errorf("split %d: complete", split)
		}
	}
}

// The table is put together where what says where it lies is unread: all its files
// are listed with their content, and none is proved, since each record may be an
// older copy.
func TestRebuiltTable(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{Cluster: 1024, Clusters: 1500, Fragments: 4, Records: 128})
	want := map[string][]byte{}
	parent, prefix := uint64(root), ""
	for n := uint64(30); n < 120; n++ {
		if n%30 == 0 {
			parent, prefix = v.Add(ntfsimage.File{Number: n, Folder: true, Names: win(parent, fmt.Sprintf("level %d", n))}), prefix+fmt.Sprintf("level %d/", n)
			continue
		}
		name := fmt.Sprintf("file %d.txt", n)
		want[prefix+name] = ntfsimage.Content(n, 700)
		v.Add(ntfsimage.File{Number: n, Names: win(parent, name), Streams: []ntfsimage.Stream{{Data: want[prefix+name]}}})
	}
	v.Finish()
	l := list(t, v.Image, span{v.RecordAt(0), 1024}, span{v.At(v.Mirror), 1024})
	for path, b := range want {
		f := l.file(t, path)
		if got, gaps := content(l.v.r, v.Image, f); !bytes.Equal(got, b) || len(gaps) > 0 || !f.RecordUnread || f.NameOnly {
			t.Errorf("%s: equal %v, gaps %v: %+v", path, bytes.Equal(got, b), gaps, f)
		}
	}
	if l.Complete {
		t.Error("complete, though how many records there are is not known")
	}
}

// A table whose records do not state their numbers goes on behind a block of it that
// was read as garbage, as behind one that is unread.
func TestRebuiltPastGarbage(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	data := ntfsimage.Content(33, 9000)
	for n := uint64(30); n < 50; n++ {
		v.Add(ntfsimage.File{Number: n, Names: win(root, fmt.Sprintf("file %d", n)), Streams: []ntfsimage.Stream{{Data: data}}})
	}
	v.Finish()
	stateNoNumbers(v)
	for n := uint64(36); n < 40; n++ {
		copy(v.Image[v.RecordAt(n):][:v.P.Record], bytes.Repeat([]byte{0x5a}, v.P.Record))
	}
	l := list(t, v.Image, span{v.RecordAt(0), 1024}, span{v.At(v.Mirror), 1024})
	for n := uint64(30); n < 50; n++ {
		f := l.file(t, fmt.Sprintf("file %d", n))
		if got, _ := content(l.v.r, v.Image, f); f.NameOnly != (n >= 36 && n < 40) || !f.NameOnly && (!bytes.Equal(got, data) || !f.RecordUnread) {
			t.Errorf("%+v", f)
		}
	}
}

// A table of which an own extent is unread, and whose bitmap of clusters is
// too: what is found by itself may be stale, and is never intact.
func TestRebuiltWithoutBitmap(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{Cluster: 1024, Clusters: 1500, Fragments: 3, RunsPerRecord: 1, Records: 96})
	for n := uint64(30); n < 90; n += 7 {
		v.Add(ntfsimage.File{Number: n, Names: win(root, fmt.Sprintf("file %d", n)), Streams: []ntfsimage.Stream{{Data: ntfsimage.Content(n, 2000)}}})
	}
	v.Finish()
	unread := []span{{v.RecordAt(v.Extensions[0][0]), 1024}, {v.RecordAt(6), 1024}}
	l := list(t, v.Image, unread...)
	for n := uint64(30); n < 90; n += 7 {
		f := l.file(t, fmt.Sprintf("file %d", n))
		if l.v.table.isFound(n) && !f.RecordUnread && !f.NameOnly {
			t.Errorf("%s was found by itself without a bitmap: %+v", f.Path, f)
		}
	}
	if l.Complete {
		t.Error("complete")
	}
}

// A file may hold an older copy of a part of the table: the same numbers, names and
// sizes, and other places. Where the table's own part is unread, the copy is not taken
// for it, whichever record leads to the file.
func TestCopyInFile(t *testing.T) {
	for _, far := range []bool{false, true} { // the file's own record is found by itself, too
		v := ntfsimage.New(ntfsimage.Params{Cluster: 1024, Clusters: 2000, Fragments: 4, Records: 128})
		n := uint64(26)
		if far {
			n = 40
		}
		place := v.Alloc(32)
		v.Add(ntfsimage.File{Number: n, Names: win(root, "store.bin"), Streams: []ntfsimage.Stream{{Size: 32 << 10, Runs: []ntfsimage.Run{{LCN: place, Length: 32}}}}})
		old := v.Alloc(8)
		copy(v.Image[v.At(old):], bytes.Repeat([]byte("older content "), 500))
		for n := uint64(100); n < 120; n++ {
			v.Add(ntfsimage.File{Number: n, Names: win(root, fmt.Sprintf("plate %d", n)), Streams: []ntfsimage.Stream{{Data: ntfsimage.Content(n, 700)}}})
		}
		v.Finish()
		copy(v.Image[v.At(place):], v.Image[v.RecordAt(96):v.RecordAt(96)+32<<10]) // as it was, but for the place
		var unread []span
		for n := uint64(96); n < 128; n++ {
			unread = append(unread, span{v.RecordAt(n), 1024})
		}
		l := list(t, v.Image, append(unread, span{v.RecordAt(0), 1024}, span{v.At(v.Mirror), 1024})...)
		for n := uint64(100); n < 120; n++ {
			if f := l.file(t, fmt.Sprintf("plate %d", n)); !f.NameOnly {
				t.Errorf("far %v: %+v", far, f)
			}
		}
		if f := l.file(t, "store.bin"); !f.RecordUnread {
			t.Errorf("far %v: proved without the table's own record: %+v", far, f)
		}
	}
}

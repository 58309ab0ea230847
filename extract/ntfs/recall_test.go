package ntfs

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/ntfs/ntfsimage"
)

// split is a volume whose table lies in many fragments, of which record 0 holds the
// first alone: further records hold the others.
func split(listOut bool) (v *ntfsimage.Volume, want map[string][]byte) {
	v = ntfsimage.New(ntfsimage.Params{Cluster: 1024, Clusters: 4000, Fragments: 24, RunsPerRecord: 1, Records: 768})
	want = map[string][]byte{}
	dir := v.AddFolder(root, "dir")
	for n := uint64(64); n < 740; n += 5 {
		name := fmt.Sprintf("file %d.txt", n)
		want["dir/"+name] = ntfsimage.Content(n, 1500)
		v.Add(ntfsimage.File{Number: n, Names: win(dir, name), Streams: []ntfsimage.Stream{{Data: want["dir/"+name]}}})
	}
	return v.Finish(), want
}

// What the table's own attribute list would say is said by the table's further
// records themselves: one unread sector of the list costs nothing.
func TestTableListUnread(t *testing.T) {
	v, want := split(true)
	list0 := attrPlace(t, v, 0, attrList)
	if list0 < 0 {
		t.Fatal("record 0's attribute list stands in the record")
	}
	l := list(t, v.Image, span{list0, 512})
	for path, b := range want {
		l.holds(t, v.Image, path, b)
	}
}

// attrPlace is where in the image the first non-resident attribute of a type of a
// record lies; -1 where there is none.
func attrPlace(t *testing.T, v *ntfsimage.Volume, n uint64, typ attrType) int64 {
	t.Helper()
	b := v.Record(n)
	for at := int(le.Uint16(b[recordFirstAttr:])); attrType(le.Uint32(b[at:])) != attrEnd; at += int(le.Uint32(b[at+attrLength:])) {
		if attrType(le.Uint32(b[at:])) != typ || b[at+attrNonRes] == 0 {
			continue
		}
		place := int64(-1)
		a := &area{cluster: int64(v.P.Cluster), clusters: v.P.Clusters}
		if _, err := a.decodeRuns(b[at+int(le.Uint16(b[at+attrRunsOff:])):], 0, func(e extract.Extent) { place = max(place, e.Image) }); err != nil {
			t.Fatal(err)
		}
		return place
	}
	return -1
}

// With record 0 and its mirror unread the table's further extents are looked for
// too, and what folders name past its known end is listed.
func TestNamesPastTheTable(t *testing.T) {
	v, want := split(false)
	unread := []span{{v.RecordAt(0), 1024}, {v.At(v.Mirror), 1024}}
	l := list(t, v.Image, unread...)
	for path, b := range want {
		f := l.file(t, path)
		if got, gaps := content(l.v.r, v.Image, f); f.NameOnly || !f.RecordUnread || len(gaps) > 0 || !bytes.Equal(got, b) {
			t.Errorf("%s: gaps %v: %+v", path, gaps, f)
		}
	}
	// the last fragments unread too: their numbers stand in the folder alone
	for n := uint64(640); n < 768; n++ {
		unread = append(unread, span{v.RecordAt(n), 1024})
	}
	l = list(t, v.Image, unread...)
	lost := int64(0)
	for path := range want {
		if f := l.file(t, path); f.NameOnly {
			lost++
		}
	}
	if lost == 0 || l.UnreadRecords < lost || l.Complete {
		t.Errorf("%d lost, %d unread records, complete %v", lost, l.UnreadRecords, l.Complete)
	}
}

// A folder of which neither its own record nor any of its files' was read is listed
// by its blocks of names, which speak for each other. One alone may be stale.
func TestBlocksAgree(t *testing.T) {
	for _, files := range []int{150, 20} {
		v := ntfsimage.New(ntfsimage.Params{Clusters: 2000, Records: 256})
		dir := v.AddFolder(v.AddFolder(root, "above"), "folder")
		var unread []span
		for i := range files {
			n := v.AddFile(dir, fmt.Sprintf("specimen %03d.txt", i), ntfsimage.Stream{Data: ntfsimage.Content(uint64(i), 100), Resident: true})
			unread = append(unread, span{int64(n), 0})
		}
		v.Finish()
		for i := range unread {
			unread[i] = span{v.RecordAt(uint64(unread[i].at)), 1024}
		}
		unread = append(unread, span{v.RecordAt(dir), 1024}, span{v.RecordAt(dir - 1), 1024})
		l := list(t, v.Image, unread...)
		named := 0
		for path, f := range l.files {
			if strings.HasPrefix(path, fmt.Sprintf("?/%d/specimen", dir)) && f[0].NameOnly {
				named++
			}
		}
		if blocks := len(v.Blocks[dir]); blocks > 1 && named < files-blocks || blocks < 2 && named > 0 || l.Complete {
			t.Errorf("%d files in %d blocks: %d listed, complete %v, %q", files, blocks, named, l.Complete, l.Why)
		}
	}
}

// A folder whose blocks of names are told of by an unread further record is torn,
// and its blocks are found.
func TestBlocksInUnreadExtension(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{Clusters: 2000, Records: 256})
	dir := v.Add(ntfsimage.File{Folder: true, Names: win(root, "folder"), BlocksOut: true})
	var unread []span
	var files []uint64
	for i := range 60 {
		files = append(files, v.AddFile(dir, fmt.Sprintf("specimen %03d.txt", i), ntfsimage.Stream{Data: ntfsimage.Content(uint64(i), 100), Resident: true}))
	}
	v.Finish()
	for _, n := range files {
		unread = append(unread, span{v.RecordAt(n), 1024})
	}
	l := list(t, v.Image, append(unread, span{v.RecordAt(v.Extensions[dir][0]), 1024})...)
	torn, listed := false, 0
	for path, f := range l.files {
		if f[0].ID == dir && f[0].Kind == extract.KindFolder {
			torn = f[0].EntriesUnread
		}
		if strings.Contains(path, "/specimen") {
			listed++
		}
	}
	if !torn || listed < 55 || l.Complete {
		t.Errorf("torn %v, %d of 60 files listed, complete %v: %q", torn, listed, l.Complete, l.Why)
	}
}

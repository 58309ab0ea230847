package hfsplus

import (
	"bytes"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/ranges"
)

// lead reads, from an image of which only the volume header was read, what is
// needed of the volume and of the entries that want is true for, until nothing
// is. It returns the list then, and how much was read.
func lead(t *testing.T, src interface {
	ReadAt([]byte, int64) (int, error)
}, size int64, want func(*extract.File) bool) (walked, []*extract.File, int64) {
	t.Helper()
	var read ranges.Set
	read.Add(headerOffset, headerSize)
	for pass := 0; pass < 100; pass++ {
		var known []imap.Range
		for s := range read.All() {
			known = append(known, imap.Range{Start: s.Start, Length: s.End - s.Start, State: imap.Read})
		}
		m, err := imap.New(known)
		if err != nil {
			t.Fatal(err)
		}
		r := image.New(src, size, m, image.Options{})
		v, list := walk(t, r, size, extract.Options{Threads: 2})
		before := read.Bytes()
		need := func(spans []ranges.Range) {
			for _, s := range spans {
				for u := range r.Unread(s.Start, s.End-s.Start) { // by whole sectors
					read.Add(u.Start/512*512, (u.End()+511)/512*512-u.Start/512*512)
				}
			}
		}
		need(v.Listing.Needs)
		for _, f := range list {
			if want(f) {
				need(f.Needs)
			}
		}
		if read.Bytes() == before {
			return v, list, before
		}
	}
	t.Fatal("there is no end of needs")
	return walked{}, nil, 0
}

// The needs of everything lead to the whole list, by its structures alone.
func TestNeedsLeadToAll(t *testing.T) {
	type drive struct {
		name string
		src  interface {
			ReadAt([]byte, int64) (int, error)
		}
		size int64
		all  *image.Reader
	}
	var drives []drive
	for _, name := range fixtures {
		b, _ := load(t, name)
		drives = append(drives, drive{name, bytes.NewReader(b), int64(len(b)), readerOf(b, imap.All(int64(len(b))))})
	}
	x := sample().build()
	drives = append(drives, drive{"sample", x, x.size, x.reader(t)})
	for _, d := range drives {
		v, got, read := lead(t, d.src, d.size, func(*extract.File) bool { return true })
		_, want := walk(t, d.all, d.size, extract.Options{})
		for _, f := range want { // links are not followed: what they lead to is content
			f.Target = ""
		}
		for _, f := range got {
			if f.Needs != nil || f.RecordUnread || f.EntriesUnread {
				t.Errorf("%s: %s still lacks something: %+v", d.name, f.Path, f)
			}
			f.Target = ""
		}
		if diff := cmp.Diff(paths(want), paths(got)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", d.name, diff)
			continue
		}
		for i := range want {
			if diff := cmp.Diff(want[i], got[i]); diff != "" {
				t.Errorf("%s (-want +got):\n%s", d.name, diff)
			}
		}
		if l := v.Listing; l.UnreadRecords != 0 {
			t.Errorf("%s: %+v", d.name, l)
		}
		if structures := v.trees.catalog.fork.size + d.size/8; read > structures {
			t.Errorf("%s: %d bytes were read of %d", d.name, read, d.size)
		}
	}
}

// A folder's needs are the leaves that its own entries may stand in.
func TestNeedsOfFolder(t *testing.T) {
	b, _ := load(t, "hfsx-cs-1k")
	_, list, read := lead(t, bytes.NewReader(b), int64(len(b)), func(*extract.File) bool { return false })
	var unread int
	for _, f := range list {
		if f.Kind == extract.KindFolder && f.EntriesUnread {
			unread++
			if len(f.Needs) == 0 {
				t.Errorf("%s needs nothing", f.Path)
			}
		}
	}
	if unread == 0 || read > int64(len(b))/50 {
		t.Errorf("with the root alone %d folders are unread; %d bytes were read of %d", unread, read, len(b))
	}
}

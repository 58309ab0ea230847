package ext

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/imap"
	"fileassay/extract/ranges"
)

// lead reads, from an image of which only the superblock was read, what is
// needed of the volume and of its entries, and the content of links, until
// nothing is. It returns what was read.
func lead(t *testing.T, img []byte) *ranges.Set {
	t.Helper()
	read := &ranges.Set{}
	read.Add(superblockAt, superblockSize)
	for range 200 {
		r := reader(t, img, without(read, int64(len(img)))...)
		v, list := walk(t, r, extract.Options{Threads: 2})
		before := read.Bytes()
		need := func(spans []ranges.Range) {
			for _, s := range spans {
				for u := range r.Unread(s.Start, s.End-s.Start) { // by whole sectors
					read.Add(u.Start/512*512, (u.End()+511)/512*512-u.Start/512*512)
				}
			}
		}
		need(v.listing.Needs)
		for _, f := range list {
			need(f.Needs)
		}
		if read.Bytes() == before {
			return read
		}
	}
	t.Fatal("there is no end of needs")
	return nil
}

// without are the parts of an image that were not read.
func without(read *ranges.Set, size int64) []imap.Range {
	var out []imap.Range
	pos := int64(0)
	for s := range read.All() {
		if s.Start > pos {
			out = append(out, imap.Range{Start: pos, Length: s.Start - pos, State: imap.Skipped})
		}
		pos = s.End
	}
	if pos < size {
		out = append(out, imap.Range{Start: pos, Length: size - pos, State: imap.Skipped})
	}
	return out
}

// located is what is told of where a file lies.
type located struct {
	Path         string
	Kind         extract.Kind
	Size         int64
	Pieces       []extract.Piece
	RecordUnread bool
}

func places(list []*extract.File) []located {
	var out []located
	for _, f := range list {
		out = append(out, located{f.Path, f.Kind, f.Size, f.Pieces, f.RecordUnread || f.EntriesUnread || f.NameOnly})
	}
	slices.SortFunc(out, func(a, b located) int { return strings.Compare(a.Path, b.Path) })
	return out
}

// The needs of everything lead to every file's place, by structures alone.
func TestNeedsLeadToAll(t *testing.T) {
	images, err := filepath.Glob("testdata/*.img.zst")
	if err != nil || len(images) == 0 {
		t.Fatal(err)
	}
	for _, path := range images {
		name := strings.TrimSuffix(filepath.Base(path), ".img.zst")
		t.Run(name, func(t *testing.T) {
			img := unpack(t, name)
			read := lead(t, img)
			_, got := walk(t, reader(t, img, without(read, int64(len(img)))...), extract.Options{})
			_, want := walk(t, reader(t, img), extract.Options{})
			if d := cmp.Diff(places(want), places(got)); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
			t.Logf("%d of %d sectors read", read.Bytes()/512, len(img)/512)
			if read.Bytes() > int64(len(img))/4 {
				t.Errorf("%d of %d bytes read", read.Bytes(), len(img))
			}
		})
	}
}

package ext

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/fixture"
	"fileassay/extract/image"
	"fileassay/extract/imap"

	"github.com/google/go-cmp/cmp"
)

// unpack gives the bytes of a volume of testdata.
func unpack(t testing.TB, name string) []byte {
	t.Helper()
	return fixture.Unpack(t, filepath.Join("testdata", name+".img.zst"))
}

// reader reads an image of which the given ranges were not read.
func reader(t testing.TB, img []byte, unread ...imap.Range) *image.Reader {
	t.Helper()
	slices.SortFunc(unread, func(a, b imap.Range) int { return int(a.Start - b.Start) })
	var ranges []imap.Range
	pos := int64(0)
	for _, u := range unread {
		if u.End() <= pos {
			continue
		}
		if u.Start > pos {
			ranges = append(ranges, imap.Range{Start: pos, Length: u.Start - pos, State: imap.Read})
		}
		pos = u.End()
	}
	if pos < int64(len(img)) {
		ranges = append(ranges, imap.Range{Start: pos, Length: int64(len(img)) - pos, State: imap.Read})
	}
	m, err := imap.New(ranges)
	if err != nil {
		t.Fatal(err)
	}
	return image.New(bytes.NewReader(img), int64(len(img)), m, image.Options{})
}

// walked is a volume with what a walk told of it.
type walked struct {
	*Volume
	listing extract.Listing
	space   extract.Space
}

// walk opens and lists a volume.
func walk(t testing.TB, r *image.Reader, o extract.Options) (*walked, []*extract.File) {
	t.Helper()
	v, err := Open(context.Background(), r, 0, 0, o)
	if err != nil {
		t.Fatal(err)
	}
	var files []*extract.File
	s, err := v.Walk(context.Background(), func(f *extract.File) error { files = append(files, f); return nil })
	if err != nil {
		t.Fatal(err)
	}
	return &walked{v, s.Listing, s.Space}, files
}

// readContent reads a file by its pieces; ok is false where any of it is unread or
// unlocated.
func readContent(r *image.Reader, f *extract.File) (b []byte, ok bool) {
	if f.Size < 0 || f.Size > 1<<30 || f.NameOnly || f.RecordUnread {
		return nil, false
	}
	b = make([]byte, f.Size)
	pos := int64(0)
	for _, p := range f.Pieces {
		if p.Offset != pos {
			return nil, false
		}
		pos += p.Length
		switch p.Kind {
		case extract.Hole:
		case extract.Data, extract.Patched:
			if _, err := r.ReadAt(b[p.Offset:pos], p.Image); err != nil {
				return nil, false
			}
		default:
			return nil, false
		}
	}
	return b, pos == f.Size
}

// line says what a file is in the way of the .sums files.
func line(r *image.Reader, f *extract.File) string {
	switch f.Kind {
	case extract.KindFolder:
		return "/ " + f.Path
	case extract.KindLink:
		return "-> " + f.Target + " " + f.Path
	}
	b, ok := readContent(r, f)
	if !ok {
		return fmt.Sprintf("not whole %d %s", f.Size, f.Path)
	}
	return fmt.Sprintf("%x %d %s", sha256.Sum256(b), len(b), f.Path)
}

func lines(r *image.Reader, files []*extract.File) []string {
	var out []string
	for _, f := range files {
		out = append(out, line(r, f))
	}
	slices.Sort(out)
	return out
}

func sums(t testing.TB, name string) []string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name+".sums"))
	if err != nil {
		t.Fatal(err)
	}
	out := strings.Split(strings.TrimSuffix(string(b), "\n"), "\n")
	slices.Sort(out)
	return out
}

var volumes = []struct {
	name, filesystem string
	journal          bool // it was not closed
}{
	{"ext2-1k", "ext2", false},
	{"ext3-4k", "ext3", false},
	{"ext4-1k", "ext4", false},
	{"ext4-inline", "ext4", false},
	{"ext4-nocsum", "ext4", false},
	{"ext4-metabg", "ext4", false},
	{"ext4-bigalloc", "ext4", false},
	{"ext4-super2", "ext4", false},
	{"ext4-notype", "ext4", false},
	{"ext4-64k", "ext4", false},
	{"ext4-bigino", "ext4", false},
	{"ext4-journal", "ext4", true},
	{"ext4-journal-data", "ext4", true},
	{"ext3-journal", "ext3", true},
	{"ext4-grown", "ext4", true}, // in its journal
}

// TestWhole holds the list and every content against what the kernel read from
// the same volumes (testdata/make.py).
func TestWhole(t *testing.T) {
	for _, c := range volumes {
		t.Run(c.name, func(t *testing.T) {
			r := reader(t, unpack(t, c.name))
			v, files := walk(t, r, extract.Options{})
			if diff := cmp.Diff(sums(t, c.name), lines(r, files)); diff != "" {
				t.Errorf("files (-kernel +here):\n%s", diff)
			}
			if got := v.Info(); got.Filesystem != c.filesystem || got.Label != "hedges" {
				t.Errorf("Info() = %+v", got)
			}
			l := v.listing
			if !l.Complete || l.UnreadRecords != 0 || l.UnnamedFiles != 0 || l.UnclaimedBytes != 0 {
				t.Errorf("Listing() = %+v", l)
			}
			if got := v.journal.note != ""; got != c.journal {
				t.Errorf("journal used: %v, want %v", got, c.journal)
			}
		})
	}
}

// TestSpace checks that the uses cover the volume without gaps.
func TestSpace(t *testing.T) {
	for _, c := range volumes {
		img := unpack(t, c.name)
		v, _ := walk(t, reader(t, img), extract.Options{})
		pos := int64(0)
		err := v.space(context.Background(), func(start, length int64, use extract.Use) error {
			if start != pos || length <= 0 {
				t.Errorf("%s: range of %d from %d after %d", c.name, length, start, pos)
			}
			pos = start + length
			return nil
		})
		if err != nil || pos != v.length {
			t.Errorf("%s: ends at %d of %d, %v", c.name, pos, v.length, err)
		}
	}
}

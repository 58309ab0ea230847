package truthtest

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"fileassay/extract"
	"fileassay/extract/fixture"
	"fileassay/extract/imap"
	"fileassay/verify"
	"fileassay/verify/result"
)

// Result is a result that was read back.
type Result struct {
	Raw     []byte
	Image   result.Image
	Volumes []result.Volume
	Files   []result.File
	Summary result.Summary
}

// Drive is an image file on disk that can be damaged again and again.
type Drive struct {
	Path     string
	Fixture  *fixture.Fixture
	original []byte
	img      []byte
	changed  []imap.Range
	dir      string
}

// NewDrive writes an image to a temporary folder.
func NewDrive(tb testing.TB, f *fixture.Fixture) *Drive {
	tb.Helper()
	d := &Drive{Fixture: f, original: f.Image, img: bytes.Clone(f.Image), dir: tb.TempDir()}
	d.Path = filepath.Join(d.dir, "drive.img")
	if err := os.WriteFile(d.Path, d.img, 0o600); err != nil {
		tb.Fatal(err)
	}
	return d
}

// WriteMap writes an imaging map of an image of size bytes of which the given
// ranges, in order, were not read.
func WriteMap(tb testing.TB, path string, size int64, unread []imap.Range) {
	tb.Helper()
	var b bytes.Buffer
	b.WriteString("start,length,state\n")
	pos := int64(0)
	for _, u := range append(unread[:len(unread):len(unread)], imap.Range{Start: size}) {
		if u.Start > pos {
			fmt.Fprintf(&b, "%d,%d,read\n", pos, u.Start-pos)
		}
		if u.Length > 0 {
			fmt.Fprintf(&b, "%d,%d,%s\n", u.Start, u.Length, u.State)
		}
		pos = max(pos, u.End())
	}
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		tb.Fatal(err)
	}
}

// Fill changes what stands in the unread ranges, and puts back what an earlier
// call changed.
func (d *Drive) Fill(tb testing.TB, unread []imap.Range, fill func(img []byte)) {
	tb.Helper()
	for _, u := range d.changed {
		copy(d.img[u.Start:u.End()], d.original[u.Start:u.End()])
	}
	fill(d.img)
	f, err := os.OpenFile(d.Path, os.O_WRONLY, 0)
	if err != nil {
		tb.Fatal(err)
	}
	for _, list := range [][]imap.Range{d.changed, unread} {
		for _, u := range list {
			if _, err := f.WriteAt(d.img[u.Start:u.End()], u.Start); err != nil {
				tb.Fatal(err)
			}
		}
	}
	if err := f.Close(); err != nil {
		tb.Fatal(err)
	}
	d.changed = unread
}

// Verify runs verify over the drive with a map that says that the given
// ranges, in order, were not read.
func (d *Drive) Verify(tb testing.TB, unread []imap.Range, threads int) *Result {
	tb.Helper()
	m := filepath.Join(d.dir, "map.csv")
	WriteMap(tb, m, int64(len(d.img)), unread)
	out := filepath.Join(d.dir, "result.jsonl")
	_, err := verify.Run(context.Background(), verify.Options{Image: d.Path, Map: m, Result: out, Force: true,
		Options: extract.Options{Threads: threads}})
	if err != nil {
		tb.Fatalf("verify: %v", err)
	}
	return Read(tb, out)
}

// Read reads a result; a result that contradicts itself fails the test.
func Read(tb testing.TB, path string) *Result {
	tb.Helper()
	raw, err := os.ReadFile(path)
	if err != nil {
		tb.Fatal(err)
	}
	in, err := result.Open(path)
	if err != nil {
		tb.Fatal(err)
	}
	defer in.Close()
	r := &Result{Raw: raw, Image: in.Image, Volumes: in.Volumes, Summary: in.Summary}
	for f, err := range in.Files() {
		if err != nil {
			tb.Fatal(err)
		}
		r.Files = append(r.Files, *f)
	}
	return r
}

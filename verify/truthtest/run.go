package truthtest

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"fileassay/extract"
	"fileassay/extract/imap"
	"fileassay/verify"
	"fileassay/verify/result"
	"fileassay/verify/truthtest/fixture"
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

// Read reads a result.
func Read(tb testing.TB, path string) *Result {
	tb.Helper()
	raw, err := os.ReadFile(path)
	if err != nil {
		tb.Fatal(err)
	}
	r, err := Parse(raw)
	if err != nil {
		tb.Fatalf("%s: %v", path, err)
	}
	return r
}

// Parse decodes a result.
func Parse(raw []byte) (*Result, error) {
	r := &Result{Raw: raw}
	s := bufio.NewScanner(bytes.NewReader(raw))
	s.Buffer(nil, 1<<30)
	stage := 0
	for s.Scan() {
		var head struct {
			Type string `json:"type"`
		}
		if err := json.Unmarshal(s.Bytes(), &head); err != nil {
			return nil, err
		}
		at := map[string]int{"image": 1, "volume": 2, "file": 3, "summary": 4}[head.Type]
		if at == 0 || at < stage || at == stage && (at == 1 || at == 4) {
			return nil, fmt.Errorf("a line of type %q stands at the wrong place", head.Type)
		}
		stage = at
		var err error
		switch at {
		case 1:
			err = json.Unmarshal(s.Bytes(), &r.Image)
		case 2:
			var v result.Volume
			err = json.Unmarshal(s.Bytes(), &v)
			r.Volumes = append(r.Volumes, v)
		case 3:
			var f result.File
			err = json.Unmarshal(s.Bytes(), &f)
			r.Files = append(r.Files, f)
		case 4:
			err = json.Unmarshal(s.Bytes(), &r.Summary)
		}
		if err != nil {
			return nil, err
		}
	}
	if s.Err() == nil && stage != 4 {
		return nil, fmt.Errorf("the result ends without a summary")
	}
	return r, s.Err()
}

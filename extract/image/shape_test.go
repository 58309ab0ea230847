package image

import (
	"bytes"
	"compress/gzip"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fileassay/extract/imap"

	"github.com/google/go-cmp/cmp"
	"github.com/klauspost/compress/zstd"
)

// blocks is a device that gives whole sectors only.
type blocks struct {
	data []byte
	unit int64
	t    *testing.T
}

func (b *blocks) ReadAt(p []byte, off int64) (int, error) {
	if off%b.unit != 0 || int64(len(p))%b.unit != 0 {
		b.t.Errorf("%d bytes at %d were asked of a device with sectors of %d", len(p), off, b.unit)
		return 0, errors.New("invalid argument")
	}
	if off >= int64(len(b.data)) {
		return 0, io.EOF
	}
	n := copy(p, b.data[off:])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

func TestAligned(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	data := pattern(3*alignedChunk + 4096)
	for _, unit := range []int64{512, 4096} {
		a := newAligned(&blocks{data, unit, t}, int64(len(data)), unit)
		for range 300 {
			off := rnd.IntN(len(data))
			if rnd.IntN(3) == 0 {
				off -= off % int(unit)
			}
			n := 1 + rnd.IntN(len(data)-off)
			if rnd.IntN(2) == 0 {
				n = min(n, 3000)
			}
			p := make([]byte, n)
			if got, err := a.ReadAt(p, int64(off)); got != n || err != nil || !bytes.Equal(p, data[off:off+n]) {
				t.Fatalf("sectors of %d: %d bytes at %d: %d, %v", unit, n, off, got, err)
			}
		}
		p := make([]byte, 100)
		if n, err := a.ReadAt(p, int64(len(data))-40); n != 40 || err != io.EOF {
			t.Errorf("past the end: %d, %v", n, err)
		}
		if n, err := a.ReadAt(p, -1); n != 0 || err == nil {
			t.Errorf("before the start: %d, %v", n, err)
		}
	}
}

// pack is data in a format of packed files, by writers of its own.
func pack(t *testing.T, format string, data []byte) []byte {
	t.Helper()
	var b bytes.Buffer
	var w io.WriteCloser
	switch format {
	case "gzip":
		w = gzip.NewWriter(&b)
	case "zstd":
		var err error
		if w, err = zstd.NewWriter(&b); err != nil {
			t.Fatal(err)
		}
	case "xz": // header, index and footer of a stream without blocks, by "The .xz File Format", section 2.1
		return []byte("\xfd7zXZ\x00\x00\x04\xe6\xd6\xb4\x46\x00\x00\x00\x00\x1c\xdf\x44\x21\x1f\xb6\xf3\x7d\x01\x00\x00\x00\x00\x04YZ")
	}
	if _, err := w.Write(data); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestPacked(t *testing.T) {
	for _, test := range []struct{ name, format, want string }{
		{"d.img.gz", "gzip", "d.img.gz: is packed (gzip): unpack it with: gzip -dc d.img.gz > d.img; and give that"},
		{"d.img.zst", "zstd", "zstd -dc d.img.zst > d.img;"},
		{"d.img.xz", "xz", "xz -dc d.img.xz > d.img;"},
		{"dump", "gzip", "gzip -dc dump > dump.unpacked;"},
		{"the pier's.gz", "gzip", `gzip -dc 'the pier'\''s.gz' > 'the pier'\''s';`},
		{"-c.gz", "gzip", "gzip -dc './-c.gz' > './-c';"},
		{"d.img", "", ""},
	} {
		t.Chdir(t.TempDir())
		data := pattern(4096)
		if test.format != "" {
			data = pack(t, test.format, data)
		}
		if err := os.WriteFile(test.name, data, 0o600); err != nil {
			t.Fatal(err)
		}
		s, err := Look(test.name, PartOptions{})
		if err != nil {
			t.Fatal(err)
		}
		err = s.Packed()
		if test.want == "" {
			if err != nil {
				t.Errorf("%s: %v", test.name, err)
			}
			continue
		}
		if p, ok := errors.AsType[*PackedError](err); !ok || p.Format != test.format || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s: got %v\nwant %s", test.name, err, test.want)
		}
	}
}

func TestPackedParts(t *testing.T) {
	dir := t.TempDir()
	data := pack(t, "gzip", bytes.Repeat(pattern(255), 99))
	for i, name := range []string{"d.gz.aa", "d.gz.ab"} {
		if err := os.WriteFile(filepath.Join(dir, name), data[i*200:min((i+1)*200, len(data))], 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s, err := Look(filepath.Join(dir, "d.gz.aa"), PartOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Packed(); err == nil || !strings.Contains(err.Error(), "join the parts") {
		t.Errorf("got %v", err)
	}
}

// An image from a place on reads as the bytes there, is unread where the image
// is, and finds the same faults.
func TestFrom(t *testing.T) {
	const S, off = 512, 3 * 512
	d := &disk{data: pattern(16 * S), bad: map[int64]int{9: -1}}
	m := mustMap(t, rng(0, 2*S, imap.Failed), rng(2*S, 4*S, imap.Read), rng(6*S, S, imap.Doubtful), rng(7*S, 9*S, imap.Read))
	r := New(d, 16*S, m, Options{DriveSize: 20 * S})
	v := r.From(off)
	if v.Size() != 13*S || v.DriveSize() != 17*S || v.Origin(7) != off+7 || r.Origin(7) != 7 || v.Sector() != S {
		t.Errorf("size %d, drive %d, origin %d", v.Size(), v.DriveSize(), v.Origin(7))
	}
	p := make([]byte, 17*S)
	want := []imap.Range{rng(3*S, S, imap.Doubtful), rng(6*S, S, imap.Failed), rng(13*S, 4*S, imap.Skipped)}
	if diff := cmp.Diff(want, v.ReadReadable(p, 0)); diff != "" {
		t.Errorf("unread (-want +got):\n%s", diff)
	}
	if !bytes.Equal(p[:3*S], d.data[off:off+3*S]) {
		t.Error("not the bytes of the image")
	}
	if _, err := v.ReadAt(p[:1], -1); err == nil {
		t.Error("what stands before the place can be read")
	}
	if diff := cmp.Diff([]imap.Range{rng(9*S, S, imap.Failed)}, r.Broken()); diff != "" {
		t.Errorf("a fault found by way of the part is unknown to the whole:\n%s", diff)
	}
	if next, _ := r.Again(); next.From(off).IsRead(6*S, 1) {
		t.Error("a fault of the whole is unknown to a part")
	}
}

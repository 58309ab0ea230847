package volume

import (
	"bytes"
	"context"
	"encoding/binary"
	"iter"
	"testing"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

// The toy filesystem stands in for the readers: a boot sector at a volume's
// start, a copy in its last sector, both with the volume's length.
const toyMark = "toy volume"

// putToy formats [start, start+length) of a disk.
func putToy(disk []byte, start, length int64) {
	putToyBoot(disk, start, start, length)
	putToyBoot(disk, start+length-512, start, length)
}

func putToyBoot(disk []byte, at, start, length int64) {
	b := disk[at : at+512]
	clear(b)
	copy(b[3:], toyMark)
	binary.LittleEndian.PutUint64(b[32:], uint64(length))
	if at != start {
		b[40] = 1
	}
	b[510], b[511] = 0x55, 0xAA
}

func toySniff(win []byte, at int64) []extract.Candidate {
	if len(win) < 512 || !bytes.HasPrefix(win[3:], []byte(toyMark)) {
		return nil
	}
	c := extract.Candidate{Start: at, Length: int64(binary.LittleEndian.Uint64(win[32:])), Filesystem: "toy", From: "boot sector", At: at}
	if win[40] == 1 {
		c.Start, c.From = at+512-c.Length, "backup boot sector"
	}
	if win[41] == 1 { // a volume whose two boot sectors are alike
		c.Start, c.From = at, "boot sector"
		return []extract.Candidate{c, {Start: at + 512 - c.Length, Length: c.Length, Filesystem: "toy", From: "backup boot sector", At: at}}
	}
	return []extract.Candidate{c}
}

// putTwin formats [start, start+length) with two boot sectors that are alike.
func putTwin(disk []byte, start, length int64) {
	for _, at := range []int64{start, start + length - 512} {
		putToyBoot(disk, at, at, length)
		disk[at+41] = 1
	}
}

// putToyFile gives the toy volume at start a file of one extent.
func putToyFile(disk []byte, start, at, length int64) {
	for _, boot := range []int64{start, start + int64(binary.LittleEndian.Uint64(disk[start+32:])) - 512} {
		binary.LittleEndian.PutUint64(disk[boot+48:], uint64(at))
		binary.LittleEndian.PutUint64(disk[boot+56:], uint64(length))
	}
}

func toyFile(boot []byte) extract.File {
	at, length := int64(binary.LittleEndian.Uint64(boot[48:])), int64(binary.LittleEndian.Uint64(boot[56:]))
	return extract.File{ID: 1, Path: "file", Kind: extract.KindFile, Size: length, Pieces: []extract.Piece{{Length: length, Image: at}}}
}

type toyVolume struct {
	extract.Filesystem
	file  extract.File // if it has a size: its one file
	start int64
}

// Placed says that a toy volume lies in one piece.
func (v toyVolume) Placed(context.Context) (extract.Placed, error) {
	return extract.Placed{Start: v.start, End: v.start + extract.PlacedEnough}, nil
}

// Walk yields the one file of a toy volume.
func (v toyVolume) Walk(_ context.Context, yield func(*extract.File) error) (*extract.Survey, error) {
	none := func(context.Context, func(int64, int64, extract.Use) error) error { return nil }
	out := &extract.Survey{Listing: extract.Listing{Complete: true}, Space: none}
	if yield == nil || v.file.Size == 0 {
		return out, nil
	}
	f := v.file
	return out, yield(&f)
}

func (toyVolume) Info() extract.Info { return extract.Info{Filesystem: "toy"} }

func toyOpen(_ context.Context, r *image.Reader, start, length int64, _ extract.Options) (extract.Filesystem, error) {
	buf := make([]byte, 512)
	for _, at := range []int64{start, start + length - 512} {
		if _, err := r.ReadAt(buf, at); err != nil {
			continue
		}
		for _, c := range toySniff(buf, at) {
			if c.Start == start && c.Length <= length && buf[42] == 0 {
				return toyVolume{file: toyFile(buf), start: start}, nil
			}
		}
	}
	// put together from its table, whose place the boot sector would tell
	if _, err := r.ReadAt(buf, start+2048); err == nil && bytes.HasPrefix(buf, []byte("toy table")) {
		return toyVolume{start: start}, nil
	}
	return nil, &extract.NotVolumeError{Filesystem: "toy", Start: start, Why: "no boot sector"}
}

func toyKinds() []Kind {
	return []Kind{{Name: "toy", Filesystems: []string{"toy"}, Sniff: toySniff, Open: toyOpen, Copies: toyCopies}}
}

func toyCopies(start, length int64) iter.Seq[int64] {
	return func(yield func(int64) bool) { yield(start + length - 512) }
}

// unread is a range of a disk that the drive did not give.
type unread struct{ start, length int64 }

// reader makes an image of a disk with holes in it.
func reader(t testing.TB, disk []byte, sector int64, holes ...unread) *image.Reader {
	t.Helper()
	var bad []imap.Range
	for _, h := range holes {
		bad = append(bad, imap.Range{Start: h.start, Length: h.length, State: imap.Failed})
	}
	m := imap.All(int64(len(disk)))
	if len(bad) > 0 {
		m = m.With(bad)
	}
	return image.New(bytes.NewReader(disk), int64(len(disk)), m, image.Options{Sector: sector})
}

func mustFind(t testing.TB, r *image.Reader) *Layout {
	t.Helper()
	l, err := newPlaces(r, extract.Options{Threads: 1}, toyKinds()).find(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// brief is what most tests compare of a volume.
type brief struct {
	Start, Length     int64
	Filesystem, Found string
}

func briefs(l *Layout) []brief {
	var out []brief
	for _, v := range l.Volumes {
		out = append(out, brief{v.Start, v.Length, v.Filesystem, v.Found})
	}
	return out
}

// putMBR writes a boot record with the given entries.
func putMBR(disk []byte, at int64, entries ...bootEntry) {
	b := disk[at : at+512]
	clear(b[bootEntriesAt:])
	for i, e := range entries {
		p := b[bootEntriesAt+16*i:]
		p[0], p[4] = e.Status, e.Type
		binary.LittleEndian.PutUint32(p[8:], e.Start)
		binary.LittleEndian.PutUint32(p[12:], e.Sectors)
	}
	b[510], b[511] = 0x55, 0xAA
}

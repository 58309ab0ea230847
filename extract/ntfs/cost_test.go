package ntfs

import (
	"bytes"
	"fmt"
	"io"
	"sync/atomic"
	"testing"

	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/lawtest"
	"fileassay/extract/ntfs/ntfsimage"
)

// counted counts the bytes that are read: they stand for time.
type counted struct {
	io.ReaderAt
	n atomic.Int64
}

func (c *counted) ReadAt(p []byte, off int64) (int, error) {
	c.n.Add(int64(len(p)))
	return c.ReaderAt.ReadAt(p, off)
}

// fileRecord makes a record from attributes.
func fileRecord(n uint64, seq uint16, base uint64, flags uint16, attrs ...[]byte) []byte {
	b := make([]byte, 1024)
	copy(b, "FILE")
	le.PutUint16(b[4:], 0x30)
	le.PutUint16(b[6:], 3)
	le.PutUint16(b[0x10:], seq)
	le.PutUint16(b[0x12:], 1)
	le.PutUint16(b[0x14:], 0x38)
	le.PutUint16(b[0x16:], flags)
	le.PutUint32(b[0x1c:], 1024)
	le.PutUint64(b[0x20:], base)
	le.PutUint32(b[0x2c:], uint32(n))
	at := 0x38
	for _, a := range attrs {
		at += copy(b[at:], a)
	}
	le.PutUint32(b[at:], 0xffffffff)
	le.PutUint32(b[0x18:], uint32(at+8))
	le.PutUint16(b[0x30:], 9)
	for i := 1; i < 3; i++ {
		copy(b[0x30+2*i:0x32+2*i], b[i*512-2:])
		le.PutUint16(b[i*512-2:], 9)
	}
	return b
}

// Hostile volumes cost no more than their size allows: memory is measured, and the
// bytes that are read are counted.
func TestCost(t *testing.T) {
	for _, c := range []struct {
		name string
		make func() (v *ntfsimage.Volume, unread []span, drive int64)
		mib  int64 // of memory
		read int64 // times the image
	}{
		{"a thousand records with one attribute list", func() (*ntfsimage.Volume, []span, int64) {
			v := ntfsimage.New(ntfsimage.Params{Clusters: 2000, Records: 1100})
			var entries []byte
			for i := range uint64(32 << 10) {
				e := make([]byte, 0x20)
				le.PutUint32(e, uint32(attrData))
				le.PutUint16(e[4:], 0x20)
				e[7] = 0x1a
				le.PutUint64(e[0x10:], i*2+1|1<<48)
				entries = append(entries, e...)
			}
			lcn := v.Alloc(256)
			copy(v.Image[v.At(lcn):], entries)
			list := v.NonResident(uint32(attrList), "", []ntfsimage.Run{{LCN: lcn, Length: 256}}, 0, 1<<20, 1<<20, 0, 0)
			for i := range 1000 {
				v.Add(ntfsimage.File{Names: win(root, fmt.Sprint("f", i)), Extra: [][]byte{list}})
			}
			return v.Finish(), nil, 0
		}, 128, 8},
		{"a folder that maps the volume many times", func() (*ntfsimage.Volume, []span, int64) {
			v := ntfsimage.New(ntfsimage.Params{Clusters: 4000})
			var runs []ntfsimage.Run
			for range 60 {
				runs = append(runs, ntfsimage.Run{LCN: 0, Length: 3900})
			}
			n := v.AddFolder(root, "x")
			lost := v.AddFile(root, "y", ntfsimage.Stream{Data: ntfsimage.Content(1, 9000)})
			used := v.Alloc(8)
			copy(v.Image[v.At(used):], bytes.Repeat([]byte{0xff}, 8*4096))
			v.Finish()
			size := int64(60 * 3900 * 4096)
			v.EditRecord(n, func(b []byte) {
				at := int(le.Uint16(b[recordFirstAttr:]))
				for attrType(le.Uint32(b[at:])) != attrEnd {
					at += int(le.Uint32(b[at+attrLength:]))
				}
				at += copy(b[at:], v.NonResident(uint32(attrIndexAlloc), "$I30", runs, 0, size, size, 0, 0))
				at += copy(b[at:], v.NonResident(uint32(attrBitmap), "$I30", []ntfsimage.Run{{LCN: used, Length: 8}}, 0, 8*4096, 8*4096, 0, 0))
				le.PutUint32(b[at:], 0xffffffff)
				le.PutUint32(b[recordUsedBytes:], uint32(at+8))
			})
			return v, []span{{v.RecordAt(lost), 1024}}, 0
		}, 64, 16},
		{"stray records in descending order", func() (*ntfsimage.Volume, []span, int64) {
			const n = 100000
			v := ntfsimage.New(ntfsimage.Params{Clusters: 26000})
			lcn := v.Alloc(n / 4)
			for i := range uint64(n) {
				copy(v.Image[v.At(lcn)+int64(i)*1024:], fileRecord(n-i, 1, 0, 1))
			}
			v.Finish()
			return v, []span{{v.RecordAt(0), 1024}, {v.At(v.Mirror), 1024}}, 0
		}, 256, 16},
		{"one unread record named 20,000 times", func() (*ntfsimage.Volume, []span, int64) {
			v := ntfsimage.New(ntfsimage.Params{Clusters: 4000})
			names := make([]ntfsimage.Name, 20000)
			for i := range names {
				names[i] = ntfsimage.Name{Parent: root, Text: fmt.Sprint("name", i), Space: ntfsimage.Win32}
			}
			n := v.AddFile(root, "x", ntfsimage.Stream{Data: ntfsimage.Content(1, 9000)})
			for _, m := range names {
				v.Alias(n, m)
			}
			v.Finish()
			return v, []span{{v.RecordAt(n), 1024}}, 0
		}, 128, 16},
		{"a folder that names every file otherwise", func() (*ntfsimage.Volume, []span, int64) {
			v := ntfsimage.New(ntfsimage.Params{Clusters: 6000, Records: 8100})
			for i := range 8000 {
				name := win(root, fmt.Sprint("f", i))
				name[0].NotIndexed = true
				v.Alias(v.Add(ntfsimage.File{Names: name, Streams: []ntfsimage.Stream{{Data: []byte("1"), Resident: true}}}), win(root, fmt.Sprint("g", i))[0])
			}
			return v.Finish(), nil, 0
		}, 128, 8},
		{"one file of 4,000 names", func() (*ntfsimage.Volume, []span, int64) {
			v := ntfsimage.New(ntfsimage.Params{Clusters: 4000, Records: 2200})
			f := ntfsimage.File{ListOut: true, Streams: []ntfsimage.Stream{{Resident: true}}}
			for i := range 4000 {
				f.Names = append(f.Names, ntfsimage.Name{Parent: root, Text: fmt.Sprint("name", i), Space: ntfsimage.POSIX})
			}
			v.Add(f)
			return v.Finish(), nil, 0
		}, 128, 8},
		{"a table of 256 GiB in a hole", func() (*ntfsimage.Volume, []span, int64) {
			v := ntfsimage.New(ntfsimage.Params{Clusters: 600})
			v.AddFile(root, "x", ntfsimage.Stream{Data: ntfsimage.Content(1, 9000)})
			v.Finish()
			const size = 256 << 30
			grow := func(b []byte) {
				at := int(le.Uint16(b[recordFirstAttr:]))
				for attrType(le.Uint32(b[at:])) != attrData {
					at += int(le.Uint32(b[at+attrLength:]))
				}
				old := le.Uint32(b[at+attrLength:])
				first := v.RecordAt(0) / 4096
				a := v.NonResident(uint32(attrData), "", []ntfsimage.Run{{LCN: first, Length: 16}, {LCN: -1, Length: size/4096 - 16}}, 0, size, size, 0, 0)
				rest := bytes.Clone(b[at+int(old):])
				copy(b[at+copy(b[at:], a):], rest)
				le.PutUint32(b[recordUsedBytes:], le.Uint32(b[recordUsedBytes:])+uint32(len(a))-old)
			}
			v.EditRecord(0, grow)
			for _, at := range []int{0, len(v.Image) - 512} {
				le.PutUint64(v.Image[at+bootTotalSectors:], size/512+1)
			}
			return v, nil, size + 1<<20
		}, 256, 16},
		{"32,000 streams of one file", func() (*ntfsimage.Volume, []span, int64) {
			v := ntfsimage.New(ntfsimage.Params{Clusters: 4000, Records: 2200})
			f := ntfsimage.File{Names: win(root, "x"), ListOut: true}
			for i := range 32000 {
				f.Streams = append(f.Streams, ntfsimage.Stream{Name: fmt.Sprintf("%04x", i), Resident: true})
			}
			v.Add(f)
			return v.Finish(), nil, 0
		}, 256, 16},
	} {
		t.Run(c.name, func(t *testing.T) {
			v, unread, drive := c.make()
			size := int64(len(v.Image))
			ranges := make([]imap.Range, len(unread))
			for i, u := range unread {
				ranges[i] = imap.Range{Start: u.at, Length: u.n, State: imap.Failed}
			}
			d := &counted{ReaderAt: bytes.NewReader(v.Image)}
			r := image.New(d, size, imap.All(size).With(ranges), image.Options{DriveSize: max(drive, size)})
			var err error
			if peak := lawtest.Peak(func() { _, err = listReader(r, max(drive, size)) }); peak > c.mib<<20 {
				t.Errorf("%d MiB of memory, at most %d", peak>>20, c.mib)
			}
			if err != nil {
				t.Error(err)
			}
			if n := d.n.Load(); n > c.read*size {
				t.Errorf("%d MiB read of an image of %d", n>>20, size>>20)
			}
		})
	}
}

// The streams of a file with many names are listed under as many of them as there is
// room for, and the list says so.
func TestManyNamesAndStreams(t *testing.T) {
	for _, c := range []struct {
		names, streams, want int
		complete             bool
	}{{3, 300, 3 + 900, true}, {600, 300, 600 + maxStreams/300*300, false}} {
		v := ntfsimage.New(ntfsimage.Params{Clusters: 4000, Records: 2200})
		f := ntfsimage.File{ListOut: true}
		for i := range c.names {
			f.Names = append(f.Names, ntfsimage.Name{Parent: root, Text: fmt.Sprint("name", i), Space: ntfsimage.POSIX})
		}
		for i := range c.streams {
			f.Streams = append(f.Streams, ntfsimage.Stream{Name: fmt.Sprintf("%04x", i), Resident: true})
		}
		f.Streams = append(f.Streams, ntfsimage.Stream{Resident: true})
		v.Add(f)
		l := list(t, v.Finish().Image)
		n := 0
		for _, files := range l.files {
			n += len(files)
		}
		if n != c.want || l.Complete != c.complete || l.says("so many names") == c.complete {
			t.Errorf("%d names, %d streams: %d entries, not %d: %+v", c.names, c.streams, n, c.want, l.Listing)
		}
	}
}

// A file of very many names and pieces is told whole under the first of them only.
func TestNamesAndPieces(t *testing.T) {
	const names, pieces = 4000, 300
	v := ntfsimage.New(ntfsimage.Params{Clusters: 8000, Records: 1200, Record: 4096})
	f := ntfsimage.File{ListOut: true, Streams: []ntfsimage.Stream{{Data: ntfsimage.Content(1, pieces*4096), Pieces: pieces}}}
	for i := range names {
		f.Names = append(f.Names, ntfsimage.Name{Parent: root, Text: fmt.Sprint("name", i), Space: ntfsimage.POSIX})
	}
	v.Add(f)
	l := list(t, v.Finish().Image)
	told, whole := 0, 0
	for _, list := range l.files {
		for _, f := range list {
			told += len(f.Pieces)
			if len(f.Pieces) == pieces {
				whole++
			}
		}
	}
	if len(l.paths) != names || told > maxPieces || whole < 1024 || l.Complete {
		t.Errorf("%d names, %d pieces, %d names with all, complete %v", len(l.paths), told, whole, l.Complete)
	}
}

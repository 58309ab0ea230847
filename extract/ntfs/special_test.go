package ntfs

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/ntfs/ntfsimage"
)

func TestLinksAndPlaceholders(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	size := int64(3 * 4096)
	v.Add(ntfsimage.File{Names: win(root, "link"), Flags: fileFlagReparse, Reparse: reparse(tagSymlink, linkData(true, `\??\D:\Plates`, `D:\Plates`)),
		Streams: []ntfsimage.Stream{{Data: []byte{}, Resident: true}}})
	for name, tag := range map[string]uint32{"full link": tagUnixLink, "full pipe": tagUnixPipe} {
		v.Add(ntfsimage.File{Names: win(root, name), Flags: fileFlagReparse, Reparse: reparse(tag, make([]byte, 8)), Streams: []ntfsimage.Stream{{Data: ntfsimage.Content(2, 5000)}}})
	}
	v.Add(ntfsimage.File{Folder: true, Names: win(root, "junction"), Flags: fileFlagReparse, Reparse: reparse(tagMountPoint, linkData(false, `\??\E:\Store`, `E:\Store`))})
	v.Add(ntfsimage.File{Names: win(root, "away"), Flags: fileFlagReparse | fileFlagRecallData, Reparse: reparse(tagCloud|0x3000, make([]byte, 16)),
		Streams: []ntfsimage.Stream{{Runs: []ntfsimage.Run{{LCN: -1, Length: 3}}, Size: size, Flags: 0x8000}}})
	here := ntfsimage.Content(3, int(size))
	v.Add(ntfsimage.File{Names: win(root, "here"), Flags: fileFlagReparse, Reparse: reparse(tagCloud|0x3000, make([]byte, 16)),
		Streams: []ntfsimage.Stream{{Data: here}}})
	secret := v.Add(ntfsimage.File{Names: win(root, "secret"), Streams: []ntfsimage.Stream{{Data: here, Flags: attrFlagEncrypted}},
		Extra: [][]byte{ntfsimage.Resident(uint32(attrLogged), "$EFS", make([]byte, 300))}})
	sparse := append(bytes.Clone(here[:4096]), make([]byte, 2*4096)...)
	v.Add(ntfsimage.File{Names: win(root, "sparse"), Streams: []ntfsimage.Stream{{Runs: []ntfsimage.Run{{LCN: v.Alloc(1), Length: 1}, {LCN: -1, Length: 2}}, Data: sparse, Flags: 0x8000}}})
	v.Add(ntfsimage.File{Names: win(root, "early end"), Streams: []ntfsimage.Stream{{Data: sparse, Init: 4096}}})
	l := list(t, v.Finish().Image)
	if f := l.file(t, "link"); f.Kind != extract.KindLink || f.Target != `D:\Plates` || f.Size != 0 {
		t.Errorf("%+v", f)
	}
	for _, name := range []string{"full link", "full pipe"} {
		if f := l.file(t, name); l.proved(name) || l.proved("link") == false {
			t.Errorf("%+v", f)
		}
	}
	if f := l.file(t, "junction"); f.Kind != extract.KindLink || f.Target != `E:\Store` {
		t.Errorf("%+v", f)
	}
	if f := l.file(t, "away"); f.Stored != extract.StoredElsewhere || f.Size != size ||
		cmp.Diff([]extract.Piece{{Length: size, Kind: extract.Unlocated}}, f.Pieces) != "" {
		t.Errorf("a placeholder's content is not on the drive: %+v", f)
	}
	if f := l.holds(t, v.Image, "here", here); f.Stored != extract.StoredPlain {
		t.Errorf("%+v", f)
	}
	if f := l.holds(t, v.Image, "secret", here); f.Stored != extract.StoredEncrypted || f.ID != secret {
		t.Errorf("%+v", f)
	}
	for _, name := range []string{"sparse", "early end"} {
		f := l.holds(t, v.Image, name, sparse)
		if n := len(f.Pieces); n != 2 || f.Pieces[1].Kind != extract.Hole || f.Pieces[1].Length != 2*4096 {
			t.Errorf("%s: %+v", name, f.Pieces)
		}
	}
}

// A stream kept in compression units: one unread cluster costs its unit, and
// no other.
func TestCompressedFile(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{Clusters: 400})
	a, b := v.Alloc(20), v.Alloc(5)
	size := int64(4*16*4096 - 100)
	n := v.Add(ntfsimage.File{Names: win(root, "c"), Streams: []ntfsimage.Stream{{Size: size, Flags: 1, Unit: 4,
		// raw; compressed in two runs; hole; compressed
		Runs: []ntfsimage.Run{{LCN: a, Length: 18}, {LCN: b, Length: 3}, {LCN: -1, Length: 11}, {LCN: -1, Length: 16}, {LCN: a + 18, Length: 2}, {LCN: -1, Length: 14}}}}})
	v.Use(a, 20)
	v.Use(b, 5)
	v.Finish()
	const c, u = 4096, 16 * 4096
	want := []extract.Piece{
		{Length: u, Kind: extract.Data, Image: v.At(a)},
		{Offset: u, Length: u, Kind: extract.Unit, Units: []extract.Extent{{Offset: u, Image: v.At(a + 16), Length: 2 * c}, {Offset: u + 2*c, Image: v.At(b), Length: 3 * c}}},
		{Offset: 2 * u, Length: u, Kind: extract.Hole},
		{Offset: 3 * u, Length: u - 100, Kind: extract.Unit, Units: []extract.Extent{{Offset: 3 * u, Image: v.At(a + 18), Length: 2 * c}}},
	}
	for _, stored := range []string{"stated", "not brought up to date"} {
		f := list(t, v.Image).file(t, "c")
		if diff := cmp.Diff(want, f.Pieces); diff != "" || f.Stored != extract.StoredCompressed || f.ID != n || f.RecordUnread {
			t.Errorf("%s: %+v: %s", stored, f, diff)
		}
		v.EditRecord(n, func(b []byte) { le.PutUint64(b[attrAt(b, attrData, false)+attrStored:], 0) })
	}
}

// wofVolume is a volume with a file of five chunks whose stream has the given
// table of chunks and body.
func wofVolume(table []uint32, body []byte, size int64, resident bool) *ntfsimage.Volume {
	v := ntfsimage.New(ntfsimage.Params{})
	v.Add(ntfsimage.File{Names: win(root, "tool.exe"), Flags: fileFlagReparse, Reparse: reparse(tagWOF, wordsOf(1, 2, 1, 0)),
		Streams: []ntfsimage.Stream{{Runs: []ntfsimage.Run{{LCN: -1, Length: (size + 4095) / 4096}}, Size: size, Init: -1, Flags: 0x8000},
			{Name: wofStream, Data: append(wordsOf(table...), body...), Resident: resident}}})
	return v.Finish()
}

// The stream of a file that the system compressed begins with a table of where
// each chunk but the first begins, from the table's end.
func TestWOF(t *testing.T) {
	body := ntfsimage.Content(4, 9000)
	const size = 4*4096 + 100
	v := wofVolume([]uint32{3000, 4000, 8000, 8990}, body, size, false)
	l := list(t, v.Image)
	f := l.file(t, "tool.exe")
	l.none(t, "tool.exe:"+wofStream)
	var at int64
	for i := 0; i < len(v.Image); i += 4096 {
		if bytes.HasPrefix(v.Image[i:], wordsOf(3000, 4000, 8000, 8990)) {
			at = int64(i)
		}
	}
	unit := func(i, length, from, to int64) extract.Piece {
		return extract.Piece{Offset: i * 4096, Length: length, Kind: extract.Unit, Units: []extract.Extent{{Offset: 16 + from, Image: at + 16 + from, Length: to - from}}}
	}
	want := []extract.Piece{unit(0, 4096, 0, 3000), unit(1, 4096, 3000, 4000), unit(2, 4096, 4000, 8000), unit(3, 4096, 8000, 8990), unit(4, 100, 8990, 9000)}
	if diff := cmp.Diff(want, f.Pieces); diff != "" || f.Size != size || f.Stored != extract.StoredCompressed {
		t.Errorf("%+v: %s", f, diff)
	}
	t.Run("table unread", func(t *testing.T) {
		l := list(t, v.Image, span{at, 512})
		for _, p := range l.file(t, "tool.exe").Pieces {
			if p.Kind != extract.Unlocated {
				t.Errorf("%+v", p)
			}
		}
	})
	for name, table := range map[string][]uint32{
		"backwards":        {3000, 2000, 8000, 8990},
		"past the end":     {3000, 4000, 8000, 0xfffffff0},
		"empty chunks":     {0, 0, 0, 0},
		"one for the rest": {9000, 9000, 9000, 9000},
	} {
		v := wofVolume(table, body, size, false)
		f := list(t, v.Image).file(t, "tool.exe")
		checkPieces(t, f.Pieces, f.Size)
		located := int64(0)
		for _, p := range f.Pieces {
			if p.Kind == extract.Hole || p.Kind == extract.Data {
				t.Errorf("%s: %+v", name, p)
			}
			if p.Kind != extract.Unlocated {
				located += p.Length
			}
		}
		if located == f.Size {
			t.Errorf("%s: all is located", name)
		}
	}
	// a size of absurd many chunks is no work
	v = wofVolume([]uint32{1, 2}, body[:100], 1<<45, false)
	for _, p := range list(t, v.Image).file(t, "tool.exe").Pieces {
		if p.Kind != extract.Unlocated {
			t.Errorf("%+v", p)
		}
	}
}

// A stream of chunks that is itself stored otherwise than as it is has no table
// to go by where it lies, and one that ends before its last chunk does not hold
// that.
func TestWOFStreamStored(t *testing.T) {
	body := ntfsimage.Content(4, 65536)
	const size = 4*4096 + 100
	for _, c := range []struct {
		name    string
		change  func(s *ntfsimage.Stream)
		located int64
	}{
		{"as it is", func(*ntfsimage.Stream) {}, size},
		{"encrypted", func(s *ntfsimage.Stream) { s.Flags = attrFlagEncrypted }, 0},
		{"in compression units", func(s *ntfsimage.Stream) { s.Flags, s.Unit = 1, 4 }, 0},
		{"valid to the middle of the last chunk", func(s *ntfsimage.Stream) { s.Init = 16 + 8995 }, size - 100},
	} {
		v := ntfsimage.New(ntfsimage.Params{Clusters: 400})
		lcn := v.Alloc(3)
		v.Use(lcn, 3)
		s := ntfsimage.Stream{Name: wofStream, Size: 16 + 9000, Runs: []ntfsimage.Run{{LCN: lcn, Length: 3}, {LCN: -1, Length: 13}}}
		c.change(&s)
		v.Add(ntfsimage.File{Names: win(root, "tool.exe"), Flags: fileFlagReparse, Reparse: reparse(tagWOF, wordsOf(1, 2, 1, 0)),
			Streams: []ntfsimage.Stream{{Runs: []ntfsimage.Run{{LCN: -1, Length: 5}}, Size: size, Init: -1, Flags: 0x8000}, s}})
		copy(v.Image[v.At(lcn):], append(wordsOf(3000, 4000, 8000, 8990), body[:9000]...))
		v.Finish()
		f := list(t, v.Image).file(t, "tool.exe")
		var located int64
		for _, p := range f.Pieces {
			if p.Kind != extract.Unlocated {
				located += p.Length
			}
		}
		if located != c.located || f.Size != size {
			t.Errorf("%s: %d bytes are located, should be %d: %+v", c.name, located, c.located, f)
		}
	}
}

// What is compressed, and not in what units, is never proven.
func TestCompressedWithoutUnits(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	v.AddFile(root, "a", ntfsimage.Stream{Data: ntfsimage.Content(1, 5000), Flags: 1})
	v.AddFile(root, "b", ntfsimage.Stream{Data: ntfsimage.Content(1, 500), Flags: 1, Resident: true})
	v.Finish()
	l := list(t, v.Image)
	if f := l.file(t, "a"); !f.RecordUnread {
		t.Errorf("%+v", f)
	}
	if f := l.file(t, "b"); f.RecordUnread { // in its record all is as it is
		t.Errorf("%+v", f)
	}
}

// The size of a reparse point's file is not the folder's to change.
func TestReparseUnread(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	n := v.Add(ntfsimage.File{Names: win(root, "placeholder with a long name to fill the first sector of it, and more"), Flags: fileFlagReparse,
		Streams: []ntfsimage.Stream{{Data: []byte("0123456789"), Resident: true}}, Reparse: reparse(tagCloud, make([]byte, 300))})
	v.Finish()
	l := list(t, v.Image, span{v.RecordAt(n) + 512, 512})
	for path, fs := range l.files {
		if f := fs[0]; f.ID == n && !f.RecordUnread {
			if _, gaps := content(l.v.r, v.Image, f); len(gaps) == 0 {
				t.Errorf("%s: the reparse point is unread, and the file proven: %+v", path, f)
			}
		}
	}
}

// faulty is an image file that does not give some of its bytes.
type faulty struct {
	b      []byte
	at, to int64
}

var errIO = errors.New("input/output error")

func (f *faulty) ReadAt(p []byte, off int64) (int, error) {
	if off < f.to && off+int64(len(p)) > f.at {
		n := copy(p, f.b[off:max(off, f.at)])
		return n, errIO
	}
	n := copy(p, f.b[off:])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

// An error of the image file itself counts as unread, and ends nothing.
func TestImageFileError(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	body := ntfsimage.Content(1, 200)
	a := v.AddFile(root, "a", ntfsimage.Stream{Data: body, Resident: true})
	v.AddFile(root, "b", ntfsimage.Stream{Data: body, Resident: true})
	v.Finish()
	at := v.RecordAt(a)
	size := int64(len(v.Image))
	r := image.New(&faulty{v.Image, at, at + 512}, size, imap.All(size), image.Options{})
	l, err := listReader(r, size)
	if err != nil {
		t.Fatal(err)
	}
	if f := l.file(t, "a"); !f.NameOnly || l.Complete || l.UnreadRecords != 1 {
		t.Errorf("%+v, %+v", f, l.Listing)
	}
	l.holds(t, v.Image, "b", body)
	if diff := cmp.Diff([]imap.Range{{Start: at, Length: 512, State: imap.Failed}}, r.Broken()); diff != "" {
		t.Error(diff)
	}
}

// An image that ends before its volume.
func TestShortImage(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{Clusters: 400})
	whole := ntfsimage.Content(1, 50<<12)
	first := v.AddFile(root, "first", ntfsimage.Stream{Data: whole[:5000]})
	v.AddFile(root, "cut", ntfsimage.Stream{Data: whole})
	v.Finish()
	runs := v.Places[first+1][""]
	end := v.At(runs[0].LCN) + 10*4096 + 100 // within a sector
	img := v.Image[:end]
	r := image.New(bytes.NewReader(img), end, imap.All(int64(len(v.Image))), image.Options{DriveSize: int64(len(v.Image))})
	l, err := listReader(r, int64(len(v.Image)))
	if err != nil {
		t.Fatal(err)
	}
	l.holds(t, v.Image, "first", whole[:5000])
	f := l.file(t, "cut")
	if _, gaps := content(r, v.Image, f); len(gaps) == 0 {
		t.Errorf("%+v", f)
	}
}

// Hostile volumes end in bounded time and memory.
func TestHostile(t *testing.T) {
	build := func() (*ntfsimage.Volume, uint64) {
		v := ntfsimage.New(ntfsimage.Params{})
		n := v.AddFile(root, "x", ntfsimage.Stream{Data: ntfsimage.Content(1, 9000), Pieces: 2})
		return v.Finish(), n
	}
	dataAt := func(b []byte) int {
		at := int(le.Uint16(b[recordFirstAttr:]))
		for attrType(le.Uint32(b[at:])) != attrData {
			at += int(le.Uint32(b[at+attrLength:]))
		}
		return at
	}
	for name, change := range map[string]func(v *ntfsimage.Volume, n uint64){
		"a table of 2^62 bytes": func(v *ntfsimage.Volume, n uint64) {
			v.EditRecord(0, func(b []byte) {
				at := dataAt(b)
				le.PutUint64(b[at+attrSize:], 1<<62)
				le.PutUint64(b[at+attrInit:], 1<<62)
			})
		},
		"a file of 2^62 bytes": func(v *ntfsimage.Volume, n uint64) {
			v.EditRecord(n, func(b []byte) {
				at := dataAt(b)
				le.PutUint64(b[at+attrSize:], 1<<62)
				le.PutUint64(b[at+attrInit:], 1<<62)
			})
		},
		"compressed, of 2^62 bytes": func(v *ntfsimage.Volume, n uint64) {
			v.EditRecord(n, func(b []byte) {
				at := dataAt(b)
				b[at+attrFlags], b[at+attrUnit] = 1, 4
				le.PutUint64(b[at+attrSize:], 1<<62)
				le.PutUint64(b[at+attrInit:], 1<<62)
			})
		},
		"a hole of 2^40 clusters in units": func(v *ntfsimage.Volume, n uint64) {
			v.EditRecord(n, func(b []byte) {
				at := dataAt(b)
				b[at+attrFlags], b[at+attrUnit] = 1, 4
				le.PutUint64(b[at+attrSize:], 1<<52)
				le.PutUint64(b[at+attrInit:], 1<<52)
				le.PutUint64(b[at+attrHighest:], 1<<39-1)
				copy(b[at+int(le.Uint16(b[at+attrRunsOff:])):], []byte{0x06, 0, 0, 0, 0, 0x80, 0, 0})
			})
		},
		"a bitmap elsewhere": func(v *ntfsimage.Volume, n uint64) {
			v.EditRecord(6, func(b []byte) { le.PutUint64(b[dataAt(b)+attrSize:], 1<<62) })
		},
		"a folder's block that leads to itself": func(v *ntfsimage.Volume, n uint64) {
			for _, at := range v.Blocks[root] {
				v.EditBlock(at, func(b []byte) {
					first := blockHeader + int(le.Uint32(b[blockHeader:]))
					b[first+entryFlags] |= entryHasChild
				})
			}
		},
		"all records alike": func(v *ntfsimage.Volume, n uint64) {
			at := v.RecordAt(n)
			for i := uint64(16); i < 64; i++ {
				copy(v.Image[v.RecordAt(i):], v.Image[at:at+1024])
			}
		},
		"all in use without names": func(v *ntfsimage.Volume, n uint64) {
			for i := uint64(16); i < 64; i++ {
				v.EditRecord(i, func(b []byte) { b[recordFlags] |= 1 })
			}
		},
	} {
		v, n := build()
		change(v, n)
		l := list(t, v.Image)
		for _, fs := range l.files {
			for _, f := range fs {
				if f.Size >= 0 {
					checkPieces(t, f.Pieces, f.Size)
				}
				if len(f.Pieces) > 100 {
					t.Errorf("%s: %d pieces", name, len(f.Pieces))
				}
			}
		}
	}
}

func TestNoVolume(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{})
	v.Finish()
	size := int64(len(v.Image))
	var not *extract.NotVolumeError
	for name, unread := range map[string][]span{
		"both boot sectors": {{0, 512}, {size - 512, 512}},
		"all":               {{0, size}},
		"all but the boot":  {{512, size - 512}},
	} {
		_, err := listReader(reader(t, v.Image, unread...), size)
		if !errors.As(err, &not) {
			t.Errorf("%s: error %v", name, err)
		}
	}
	if _, err := Open(context.Background(), reader(t, make([]byte, 1<<16)), 0, 1<<16, extract.Options{}); !errors.As(err, &not) {
		t.Errorf("zeros: %v", err)
	}
	copy(v.Image[0x48:], "\x11\x22\x33\x44\x55\x66\x77\x88")
	if got := Sniff(v.Image, 4096); len(got) != 1 || got[0].Start != 4096 || got[0].Length != size || got[0].ID != "8877665544332211" {
		t.Errorf("%+v", got)
	}
	if got := Sniff(v.Image, size-512+1<<20); len(got) != 2 || got[1].Start != 1<<20 {
		t.Errorf("%+v", got)
	}
	if got := Sniff(make([]byte, 512), 0); got != nil {
		t.Errorf("%+v", got)
	}
}

// FuzzVolume changes bytes of a small volume, and leaves sectors of it unread:
// the walk ends, pieces are in order, and nothing depends on unread bytes.
func FuzzVolume(f *testing.F) {
	v := ntfsimage.New(ntfsimage.Params{Cluster: 512, Clusters: 400, Index: 1024, Fragments: 2, Records: 48})
	folder := v.AddFolder(root, "Tray")
	for i := range 10 {
		v.AddFile(folder, string(rune('a'+i))+" specimen of the tray", ntfsimage.Stream{Data: ntfsimage.Content(uint64(i), 100*i), Resident: i < 4, Pieces: i % 3})
	}
	v.Add(ntfsimage.File{Names: win(folder, "split"), RunsPerRecord: 1, Streams: []ntfsimage.Stream{{Data: ntfsimage.Content(99, 3000), Pieces: 3}}})
	v.Add(ntfsimage.File{Names: win(folder, "units"), Streams: []ntfsimage.Stream{{Size: 9000, Flags: 1, Unit: 4, Runs: []ntfsimage.Run{{LCN: v.Alloc(3), Length: 3}, {LCN: -1, Length: 29}}}}})
	v.Add(ntfsimage.File{Names: win(root, "wof"), Reparse: reparse(tagWOF, wordsOf(1, 2, 1, 0)), Streams: []ntfsimage.Stream{{Size: 9000, Init: -1, Runs: []ntfsimage.Run{{LCN: -1, Length: 18}}},
		{Name: wofStream, Data: append(wordsOf(100, 200), ntfsimage.Content(5, 700)...)}}})
	v.Finish()
	head := int(v.RecordAt(0))
	f.Add([]byte{}, []byte{})
	f.Add([]byte{}, []byte{byte(v.RecordAt(24) / 512), 0, byte(v.RecordAt(24) / 512), 1})
	f.Add([]byte{byte(head), byte(head >> 8), byte(head >> 16), 7}, []byte{byte(v.RecordAt(0) / 512), 0})
	for n := uint64(0); n < 48; n += 3 { // sizes, flags and runs of records
		at := int(v.RecordAt(n))
		f.Add([]byte{byte(at + 0x16), byte((at + 0x16) >> 8), byte(at >> 16), 0xff, byte(at + 0x130), byte((at + 0x130) >> 8), byte(at >> 16), 0x80}, []byte{byte(at/512 + 1), byte(at / 512 >> 8)})
	}
	f.Fuzz(func(t *testing.T, changes, sectors []byte) {
		if len(changes) > 4*64 || len(sectors) > 2*64 {
			return
		}
		img := bytes.Clone(v.Image)
		for ; len(changes) >= 4; changes = changes[4:] {
			at := (int(binary.LittleEndian.Uint16(changes)) | int(changes[2])<<16) % len(img)
			img[at] ^= changes[3]
		}
		var unread []span
		dirty := bytes.Clone(img)
		for ; len(sectors) >= 2; sectors = sectors[2:] {
			at := int64(binary.LittleEndian.Uint16(sectors)) * 512 % int64(len(img)) / 512 * 512
			unread = append(unread, span{at, 512})
			for k := range dirty[at : at+512] {
				dirty[int(at)+k] = 0xc7
			}
		}
		a, errA := listReader(reader(t, img, unread...), int64(len(img)))
		b, errB := listReader(reader(t, dirty, unread...), int64(len(img)))
		if (errA == nil) != (errB == nil) || errA != nil && errA.Error() != errB.Error() {
			t.Fatalf("unread bytes change the error: %v, %v", errA, errB)
		}
		if errA != nil {
			return
		}
		if diff := cmp.Diff(a.files, b.files); diff != "" {
			t.Fatalf("unread bytes change the files: %s", diff)
		}
		if diff := cmp.Diff(a.Listing, b.Listing); diff != "" {
			t.Fatalf("unread bytes change the listing: %s", diff)
		}
		for path, list := range a.files {
			for _, x := range list {
				if x.Size >= 0 {
					checkPieces(t, x.Pieces, x.Size)
				}
				if path == "" || len(x.Pieces) > 1<<16 {
					t.Fatalf("%+v", x)
				}
			}
		}
		if len(a.paths) > 48*64 {
			t.Fatalf("%d files of 48 records", len(a.paths))
		}
		pos := int64(0)
		if err := a.space(context.Background(), func(start, n int64, _ extract.Use) error {
			if start != pos || n <= 0 {
				t.Fatalf("space of %d bytes at %d, expected at %d", n, start, pos)
			}
			pos += n
			return nil
		}); err != nil || pos != a.v.length {
			t.Fatalf("space ends at %d of %d, error %v", pos, a.v.length, err)
		}
	})
}

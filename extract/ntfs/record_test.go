package ntfs

import (
	"bytes"
	"encoding/binary"
	"strings"
	"testing"
	"time"
	"unicode/utf16"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/fixture"
	"fileassay/extract/ntfs/ntfsimage"
	"fileassay/extract/partial"
)

// madeRecord is a record with a name, a resident value that ends in the second
// stride, and runs behind it.
func madeRecord() []byte {
	v := ntfsimage.New(ntfsimage.Params{})
	n := v.Add(ntfsimage.File{Names: win(root, "Plate 4.tif"), Streams: []ntfsimage.Stream{
		{Name: "a", Data: ntfsimage.Content(1, 300), Resident: true}, {Name: "b", Data: ntfsimage.Content(2, 9000)}}})
	v.Finish()
	at := v.RecordAt(n)
	return v.Image[at : at+1024]
}

func TestRecord(t *testing.T) {
	b := madeRecord()
	var r record
	r.parse(partial.Bytes{Data: bytes.Clone(b)}, ntfsimage.FirstFile)
	if r.state != recordUsed || !r.whole || r.folder || r.links != 1 || r.seq != 1 || !r.data.Whole() || len(r.attrs) != 4 {
		t.Fatalf("%+v", r)
	}
	for i, typ := range []attrType{attrStandardInfo, attrFileName, attrData, attrData} {
		if r.attrs[i].typ != typ {
			t.Errorf("attribute %d is %#x", i, r.attrs[i].typ)
		}
	}
	for _, tt := range []struct {
		name   string
		unread strides
		change func(b []byte)
		state  recordState
		whole  bool
		attrs  int
	}{
		{"first stride unread", 1, nil, recordUnread, false, 0},
		{"second stride unread", 2, nil, recordUsed, false, 3},
		{"second stride torn", 0, func(b []byte) { b[1023] ^= 1 }, recordUsed, false, 3},
		{"first stride torn", 0, func(b []byte) { b[511] ^= 1 }, recordDamaged, false, 0},
		{"never used", 0, func(b []byte) { clear(b) }, recordBlank, false, 0},
		{"not in use", 0, func(b []byte) { b[recordFlags] &^= 1 }, recordFree, false, 0},
		{"of another", 0, func(b []byte) { b[recordBase] = 30 }, recordExtends, true, 4},
		{"marked bad", 0, func(b []byte) { copy(b, "BAAD") }, recordDamaged, false, 0},
		{"no signature", 0, func(b []byte) { copy(b, "INDX") }, recordDamaged, false, 0},
		{"another number", 0, func(b []byte) { b[recordNumber]++ }, recordDamaged, false, 0},
		{"no number", 0, func(b []byte) { clear(b[recordNumber : recordNumber+4]) }, recordUsed, true, 4},
		{"more in use than there is", 0, func(b []byte) { le.PutUint32(b[recordUsedBytes:], 1<<31) }, recordDamaged, false, 0},
		{"less in use than a head", 0, func(b []byte) { le.PutUint32(b[recordUsedBytes:], 8) }, recordDamaged, false, 0},
		{"end mark not in use", 0, func(b []byte) { le.PutUint32(b[recordUsedBytes:], 0x100) }, recordDamaged, false, 0},
		{"first attribute in the head", 0, func(b []byte) { b[recordFirstAttr] = 8 }, recordDamaged, false, 0},
		{"first attribute outside", 0, func(b []byte) { le.PutUint16(b[recordFirstAttr:], 0xfff8) }, recordDamaged, false, 0},
		{"odd first attribute", 0, func(b []byte) { b[recordFirstAttr]++ }, recordDamaged, false, 0},
		{"attribute of no length", 0, func(b []byte) { clear(b[0x38+4 : 0x38+8]) }, recordDamaged, false, 0},
		{"attribute longer than all", 0, func(b []byte) { le.PutUint32(b[0x38+4:], 0x7ffffff8) }, recordDamaged, false, 0},
		{"value outside", 0, func(b []byte) { le.PutUint32(b[0x38+attrValueLen:], 0xffffffff) }, recordDamaged, false, 0},
		{"neither resident nor not", 0, func(b []byte) { b[0x38+attrNonRes] = 7 }, recordDamaged, false, 0},
	} {
		b := bytes.Clone(b)
		if tt.change != nil {
			tt.change(b)
		}
		var r record
		r.parse(tt.unread.of(b), ntfsimage.FirstFile)
		if r.state != tt.state || r.whole != tt.whole || len(r.attrs) != tt.attrs {
			t.Errorf("%s: state %d, whole %v, %d attributes (%s)", tt.name, r.state, r.whole, len(r.attrs), r.why)
		}
		if r.state == recordDamaged && r.why == "" {
			t.Errorf("%s: no word why", tt.name)
		}
	}
}

// Nothing a parse gives depends on what stands in unread strides, and all it
// gives lies in the record.
func FuzzRecord(f *testing.F) {
	for _, name := range []string{"v01-ntfs-4k", "ntfs3-kernel"} {
		img := fixture.Load(f, name).Image
		s, err := parseBootSector(img)
		if err != nil {
			f.Fatal(err)
		}
		at := s.MFT * s.ClusterSize
		for _, n := range []int64{0, 3, 5, 6, 40, 60, 61, 70, 100, 200} {
			f.Add(bytes.Clone(img[at+n*1024:at+(n+1)*1024]), uint64(n), uint64(0), byte(1))
			f.Add(bytes.Clone(img[at+n*1024:at+(n+1)*1024]), uint64(n), uint64(2), byte(1))
		}
	}
	f.Add(madeRecord(), uint64(ntfsimage.FirstFile), uint64(0), byte(1))
	f.Fuzz(func(t *testing.T, b []byte, number, unread uint64, shift byte) {
		size := 512 << (shift % 7)
		b = append(b, make([]byte, size)...)[:size]
		bad := strides(unread) & (1<<(size/512) - 1)
		dirty := bytes.Clone(b)
		for i := range size / 512 {
			if bad.has(i) {
				clear(b[i*512 : (i+1)*512])
				for k := range dirty[i*512 : (i+1)*512] {
					dirty[i*512+k] ^= 0xa5
				}
			}
		}
		var r, d record
		r.parse(bad.of(b), number)
		d.parse(bad.of(dirty), number)
		if r.state != d.state || r.whole != d.whole || r.why != d.why || cmp.Diff(r.attrs, d.attrs, cmp.AllowUnexported(attribute{})) != "" {
			t.Fatalf("unread bytes change the record: %+v, %+v", r, d)
		}
		if len(r.attrs) > size/residentHeader {
			t.Fatalf("%d attributes in %d bytes", len(r.attrs), size)
		}
		v := &area{cluster: 4096, clusters: 1 << 30}
		for i := range r.attrs {
			a := &r.attrs[i]
			if a.off < 0 || a.end > size || a.off >= a.end {
				t.Fatalf("%+v", a)
			}
			_ = a.name(&r)
			if a.resident {
				if a.valueOff < a.off || a.valueOff+a.valueLen > a.end {
					t.Fatalf("%+v", a)
				}
				continue
			}
			var m mapping
			m.add(v, &r, a)
			m.settle()
			if a.lowest == 0 && m.headed && m.size < 1<<40 {
				checkPieces(t, m.pieces(), m.size)
			}
		}
	})
}

// checkPieces holds pieces to their order and to a file's size.
func checkPieces(t *testing.T, list []extract.Piece, size int64) {
	t.Helper()
	pos := int64(0)
	for _, p := range list {
		if p.Offset < pos || p.Length <= 0 || p.Offset+p.Length > size {
			t.Fatalf("piece %+v after %d of %d", p, pos, size)
		}
		pos = p.Offset + p.Length
	}
}

func listEntryBytes(typ attrType, name string, lowest int64, ref reference) []byte {
	units := utf16.Encode([]rune(name))
	b := make([]byte, (listHeader+2*len(units)+7)&^7)
	le.PutUint32(b, uint32(typ))
	le.PutUint16(b[listLength:], uint16(len(b)))
	b[listNameLen], b[listNameOff] = byte(len(units)), listHeader
	le.PutUint64(b[listLowest:], uint64(lowest))
	le.PutUint64(b[listRef:], uint64(ref))
	for i, u := range units {
		le.PutUint16(b[listHeader+2*i:], u)
	}
	return b
}

// Linux-NTFS documentation, attributes/attribute_list.html: entries of 1Ah
// bytes and the name, filled up to 8.
func TestAttributeList(t *testing.T) {
	whole := append(listEntryBytes(attrStandardInfo, "", 0, makeReference(30, 2)), listEntryBytes(attrData, "side", 0x1234, makeReference(31, 3))...)
	want := []listEntry{{typ: attrStandardInfo, ref: makeReference(30, 2)}, {typ: attrData, lowest: 0x1234, ref: makeReference(31, 3), name: utf16.Encode([]rune("side"))}}
	var got []listEntry
	if err := parseAttributeList(whole, func(e listEntry) { got = append(got, e) }); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got, cmp.AllowUnexported(listEntry{})); diff != "" {
		t.Error(diff)
	}
	for _, tt := range []struct {
		name string
		b    []byte
		n    int
	}{
		{"cut", whole[:len(whole)-8], 1},
		{"cut within a head", whole[:0x20+9], 1},
		{"no length", make([]byte, 0x20), 0},
		{"length past the end", func() []byte { b := bytes.Clone(whole); b[listLength] = 0xf8; return b }(), 0},
		{"odd length", func() []byte { b := bytes.Clone(whole); b[listLength] = 0x1b; return b }(), 0},
		{"name outside", func() []byte { b := bytes.Clone(whole); b[0x20+listNameLen] = 0xff; return b }(), 1},
	} {
		n := 0
		if err := parseAttributeList(tt.b, func(listEntry) { n++ }); err == nil || n != tt.n {
			t.Errorf("%s: %d entries, error %v", tt.name, n, err)
		}
	}
}

func FuzzAttributeList(f *testing.F) {
	f.Add(append(listEntryBytes(attrStandardInfo, "", 0, 30), listEntryBytes(attrData, "side", 7, 31)...))
	f.Add(listEntryBytes(attrIndexAlloc, "$I30", 0, makeReference(5, 5)))
	f.Fuzz(func(t *testing.T, b []byte) {
		n := 0
		_ = parseAttributeList(b, func(e listEntry) {
			n++
			if len(e.name) > 255 {
				t.Fatalf("%+v", e)
			}
		})
		if n > len(b)/listHeader {
			t.Fatalf("%d entries in %d bytes", n, len(b))
		}
	})
}

func fileNameBytes(parent reference, name []uint16, space namespace, size int64) []byte {
	b := make([]byte, nameText+2*len(name))
	le.PutUint64(b, uint64(parent))
	le.PutUint64(b[nameModified:], 131000000000000000)
	le.PutUint64(b[nameSize:], uint64(size))
	b[nameLength], b[nameSpace] = byte(len(name)), byte(space)
	for i, u := range name {
		le.PutUint16(b[nameText+2*i:], u)
	}
	return b
}

func TestFileName(t *testing.T) {
	text := utf16.Encode([]rune("κατάλογος 𝔾.tif"))
	b := fileNameBytes(makeReference(77, 5), text, nameWin32, 12345)
	le.PutUint32(b[nameFlags:], nameFlagFolder)
	want := fileName{parent: makeReference(77, 5), modified: 131000000000000000, size: 12345, folder: true, space: nameWin32, name: text}
	got, err := parseFileName(append(b, 1, 2, 3)) // what stands behind the name is none of it
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got, cmp.AllowUnexported(fileName{})); diff != "" {
		t.Error(diff)
	}
	if shown, exact := got.shown(); shown != "κατάλογος 𝔾.tif" || exact != nil {
		t.Errorf("%q, %x", shown, exact)
	}
	for name, b := range map[string][]byte{
		"nothing":           nil,
		"no name":           fileNameBytes(5, nil, 0, 0),
		"cut":               b[:len(b)-1],
		"unknown namespace": fileNameBytes(5, text, 4, 0),
	} {
		if f, err := parseFileName(b); err == nil {
			t.Errorf("%s: %+v", name, f)
		}
	}
}

func FuzzFileName(f *testing.F) {
	f.Add(fileNameBytes(makeReference(5, 5), utf16.Encode([]rune("sheet 04.tif")), nameWin32, 4096))
	f.Add(fileNameBytes(5, []uint16{0xd800, '/', 0}, namePOSIX, -1))
	f.Fuzz(func(t *testing.T, b []byte) {
		n, err := parseFileName(b)
		if err != nil {
			return
		}
		shown, exact := n.shown()
		if shown == "" || shown == "." || shown == ".." || shown == "?" || strings.ContainsAny(shown, "/\x00") {
			t.Fatalf("name %q is shown", shown)
		}
		if exact != nil && len(exact) != 2*len(n.name) {
			t.Fatalf("%x for %d units", exact, len(n.name))
		}
		if len(n.name) == 0 || len(n.name) > 255 {
			t.Fatalf("%d units", len(n.name))
		}
	})
}

// Times in 100 ns since 1601-01-01 UTC: [MS-DTYP] 2.3.3. The example of a
// known pair is common practice, no source: 116444736000000000 is 1970-01-01.
func TestFileTime(t *testing.T) {
	for _, tt := range []struct {
		v    int64
		want time.Time
	}{
		{0, time.Time{}},
		{-5, time.Time{}},
		{1, time.Date(1601, 1, 1, 0, 0, 0, 100, time.UTC)},
		{864000000000, time.Date(1601, 1, 2, 0, 0, 0, 0, time.UTC)},
		{116444736000000000 - 1, time.Date(1969, 12, 31, 23, 59, 59, 999999900, time.UTC)},
		{116444736000000000, time.Unix(0, 0).UTC()},
		{131986699641234567, time.Date(2019, 4, 2, 9, 12, 44, 123456700, time.UTC)},
		{2650467743999999999, time.Date(9999, 12, 31, 23, 59, 59, 999999900, time.UTC)},
		{2650467744000000000, time.Time{}},
		{1<<63 - 1, time.Time{}},
	} {
		if got := fileTime(tt.v); !got.Equal(tt.want) || got.IsZero() != tt.want.IsZero() {
			t.Errorf("%d is %v, not %v", tt.v, got, tt.want)
		}
	}
}

func TestStandardInfo(t *testing.T) {
	b := make([]byte, 0x48)
	le.PutUint64(b[infoModified:], 99)
	le.PutUint64(b[infoChanged:], 100)
	le.PutUint32(b[infoFlags:], fileFlagReparse)
	if s, ok := parseStandardInfo(b); !ok || s != (standardInfo{99, 100, fileFlagReparse}) {
		t.Errorf("%+v, %v", s, ok)
	}
	if _, ok := parseStandardInfo(b[:infoShortest]); !ok {
		t.Error("the oldest form is refused")
	}
	if _, ok := parseStandardInfo(b[:infoShortest-1]); ok {
		t.Error("a cut one is believed")
	}
}

// Resident content, across the end of a stride and into each part of it: the
// last two bytes of a stride stand in the update sequence, and count only with
// the stride they are of.
func TestResidentPieces(t *testing.T) {
	v := &table{recordSize: 1024, stream: &stream{extents: []extract.Extent{{Offset: 0, Image: 1 << 20, Length: 1 << 16}}}, count: 64, sized: true}
	const number, us = 30, 0x30
	at := int64(1<<20 + number*1024)
	data := func(off, n, image int64) extract.Piece {
		return extract.Piece{Offset: off, Length: n, Kind: extract.Data, Image: image}
	}
	patched := func(off, n, image, also int64) extract.Piece {
		return extract.Piece{Offset: off, Length: n, Kind: extract.Patched, Image: image, Also: also, AlsoLength: n}
	}
	for _, tt := range []struct {
		name   string
		off, n int
		torn   strides
		want   []extract.Piece
	}{
		{"within", 100, 50, 0, []extract.Piece{data(0, 50, at+100)}},
		{"up to the end", 100, 410, 0, []extract.Piece{data(0, 410, at+100)}},
		{"one byte into it", 100, 411, 0, []extract.Piece{data(0, 410, at+100), patched(410, 1, at+us+2, at+510)}},
		{"both bytes", 100, 412, 0, []extract.Piece{data(0, 410, at+100), patched(410, 2, at+us+2, at+510)}},
		{"across", 100, 500, 0, []extract.Piece{data(0, 410, at+100), patched(410, 2, at+us+2, at+510), data(412, 88, at+512)}},
		{"from the last byte", 511, 10, 0, []extract.Piece{patched(0, 1, at+us+3, at+511), data(1, 9, at+512)}},
		{"second end", 1000, 24, 0, []extract.Piece{data(0, 22, at+1000), patched(22, 2, at+us+4, at+1022)}},
		{"second stride torn", 100, 500, 2, []extract.Piece{data(0, 410, at+100), patched(410, 2, at+us+2, at+510), {Offset: 412, Length: 88, Kind: extract.Unlocated}}},
		{"nothing", 100, 0, 0, nil},
	} {
		rec := &record{number: number, array: us, torn: tt.torn.of(make([]byte, 1024)).Unread}
		if diff := cmp.Diff(tt.want, v.inRecord(rec, tt.off, tt.n)); diff != "" {
			t.Errorf("%s: %s", tt.name, diff)
		}
	}
}

func wordsOf(list ...uint32) (b []byte) {
	for _, w := range list {
		b = binary.LittleEndian.AppendUint32(b, w)
	}
	return b
}

// reparse makes a reparse point: tag, length, reserved, data [MS-FSCC 2.1.2].
func reparse(tag uint32, data []byte) []byte {
	b := wordsOf(tag, uint32(len(data)))
	return append(b, data...)
}

func linkData(symlink bool, system, people string) []byte {
	s, p := utf16.Encode([]rune(system)), utf16.Encode([]rune(people))
	b := make([]byte, 8)
	le.PutUint16(b[2:], uint16(2*len(s)))
	le.PutUint16(b[4:], uint16(2*len(s)))
	le.PutUint16(b[6:], uint16(2*len(p)))
	if symlink {
		b = append(b, 1, 0, 0, 0)
	}
	for _, u := range append(s, p...) {
		b = le.AppendUint16(b, u)
	}
	return b
}

func TestReparsePoint(t *testing.T) {
	for _, tt := range []struct {
		name   string
		b      []byte
		want   reparsePoint
		link   bool
		absent bool // content is elsewhere
		err    bool
	}{
		{name: "symbolic link", b: reparse(tagSymlink, linkData(true, `\??\D:\Plates`, `D:\Plates`)), want: reparsePoint{tag: tagSymlink, target: `D:\Plates`}, link: true},
		{name: "with a name for the system alone", b: reparse(tagSymlink, linkData(true, `..\Maps`, "")), want: reparsePoint{tag: tagSymlink, target: `..\Maps`}, link: true},
		{name: "junction", b: reparse(tagMountPoint, linkData(false, `\??\E:\Store`, `E:\Store`)), want: reparsePoint{tag: tagMountPoint, target: `E:\Store`}, link: true},
		{name: "junction with names outside", b: reparse(tagMountPoint, []byte{0xf0, 0xff, 2, 0, 0xf0, 0xff, 2, 0}), want: reparsePoint{tag: tagMountPoint}, link: true},
		{name: "link too short", b: reparse(tagSymlink, make([]byte, 11)), err: true},
		{name: "XPRESS 4K", b: reparse(tagWOF, wordsOf(1, 2, 1, 0)), want: reparsePoint{tag: tagWOF, wof: 4 << 10, method: "XPRESS"}},
		{name: "LZX", b: reparse(tagWOF, wordsOf(1, 2, 1, 1)), want: reparsePoint{tag: tagWOF, wof: 32 << 10, method: "LZX"}},
		{name: "XPRESS 8K", b: reparse(tagWOF, wordsOf(1, 2, 1, 2)), want: reparsePoint{tag: tagWOF, wof: 8 << 10, method: "XPRESS"}},
		{name: "XPRESS 16K", b: reparse(tagWOF, wordsOf(1, 2, 1, 3)), want: reparsePoint{tag: tagWOF, wof: 16 << 10, method: "XPRESS"}},
		{name: "a method not known", b: reparse(tagWOF, wordsOf(1, 2, 1, 9)), want: reparsePoint{tag: tagWOF}},
		{name: "cut", b: reparse(tagWOF, wordsOf(1, 2, 1)), want: reparsePoint{tag: tagWOF}},
		{name: "cloud", b: reparse(tagCloud, nil), want: reparsePoint{tag: tagCloud}, absent: true},
		{name: "cloud, another provider", b: reparse(tagCloud|0x7000, nil), want: reparsePoint{tag: tagCloud | 0x7000}, absent: true},
		{name: "slower storage", b: reparse(tagHSM, nil), want: reparsePoint{tag: tagHSM}, absent: true},
		{name: "deduplicated", b: reparse(tagDedup, nil), want: reparsePoint{tag: tagDedup}, absent: true},
		{name: "any other", b: reparse(0x80000018, []byte("xx")), want: reparsePoint{tag: 0x80000018}, absent: true},
		{name: "a socket", b: reparse(tagUnixSocket, nil), want: reparsePoint{tag: tagUnixSocket}},
		{name: "longer than its attribute", b: wordsOf(tagSymlink, 4000), err: true},
		{name: "no head", b: make([]byte, 7), err: true},
	} {
		got, err := parseReparsePoint(tt.b)
		if (err != nil) != tt.err {
			t.Errorf("%s: error %v", tt.name, err)
			continue
		}
		if tt.err {
			continue
		}
		if diff := cmp.Diff(tt.want, got, cmp.AllowUnexported(reparsePoint{})); diff != "" {
			t.Errorf("%s: %s", tt.name, diff)
		}
		if got.isLink() != tt.link || (got.elsewhere() != "") != tt.absent {
			t.Errorf("%s: link %v, elsewhere %q", tt.name, got.isLink(), got.elsewhere())
		}
	}
}

func FuzzReparsePoint(f *testing.F) {
	f.Add(reparse(tagSymlink, linkData(true, `\??\D:\Plates`, `D:\Plates`)))
	f.Add(reparse(tagMountPoint, linkData(false, `\??\E:\Store`, `E:\Store`)))
	f.Add(reparse(tagUnixLink, append([]byte{2, 0, 0, 0}, "../maps"...)))
	f.Add(reparse(tagWOF, wordsOf(1, 2, 1, 1)))
	f.Add(reparse(tagCloud, make([]byte, 40)))
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := parseReparsePoint(b)
		if err == nil && len(p.target) > 4*len(b) {
			t.Fatalf("target of %d bytes from %d", len(p.target), len(b))
		}
		if p.wof != 0 && !powerOfTwo(int64(p.wof)) {
			t.Fatalf("chunks of %d", p.wof)
		}
		p.isLink()
		p.elsewhere()
	})
}

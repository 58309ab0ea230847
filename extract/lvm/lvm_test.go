package lvm

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/ranges"

	"github.com/google/go-cmp/cmp"
	"github.com/klauspost/compress/zstd"
)

func office(t testing.TB) []byte {
	t.Helper()
	packed, err := os.ReadFile("testdata/office.img.zst")
	if err != nil {
		t.Fatal(err)
	}
	d, err := zstd.NewReader(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	img, err := d.DecodeAll(packed, nil)
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// reader reads an image behind shift bytes, of which what the ranges name was
// not read.
func reader(t testing.TB, img []byte, unread ...imap.Range) *image.Reader {
	t.Helper()
	m, err := imap.New([]imap.Range{{Start: 0, Length: int64(len(img)), State: imap.Read}})
	if err != nil {
		t.Fatal(err)
	}
	return image.New(bytes.NewReader(img), int64(len(img)), m.With(unread), image.Options{})
}

const (
	mib   = 1 << 20
	shift = 3 * mib
)

// want is what pvdisplay -m tells of the volume (testdata/make.sh): its
// extents of 1 MiB start at 1 MiB.
var want = []Volume{
	{Name: "first", Length: 10 * mib, Pieces: image.Runs{{Offset: 0, Image: shift + mib, Length: 10 * mib}}},
	{Name: "second", Length: 14 * mib, Pieces: image.Runs{{Offset: 0, Image: shift + 13*mib, Length: 10 * mib}, {Offset: 10 * mib, Image: shift + 26*mib, Length: 4 * mib}}},
	{Name: "third", Length: 3 * mib, Pieces: image.Runs{{Offset: 0, Image: shift + 23*mib, Length: 3 * mib}}},
}

func TestFind(t *testing.T) {
	img := append(make([]byte, shift), office(t)...)
	for _, c := range []struct {
		name   string
		unread []imap.Range
		notes  int
	}{
		{"whole", nil, 0},
		{"label unread", []imap.Range{{Start: shift, Length: 2048, State: imap.Failed}}, 1},
		{"all but the metadata unread", []imap.Range{{Start: shift + 2*mib, Length: 38 * mib, State: imap.Failed}}, 0},
	} {
		g, ok := Find(reader(t, img, c.unread...), shift, int64(len(img))-shift)
		if !ok {
			t.Errorf("%s: not found", c.name)
			continue
		}
		if diff := cmp.Diff(want, g.Volumes); diff != "" || g.Name != "office" || g.Drives != 1 || len(g.Notes) != c.notes || g.At != shift+4096 {
			t.Errorf("%s: %+v\n%s", c.name, g, diff)
		}
	}
	g, ok := Find(reader(t, img, imap.Range{Start: shift + 4096, Length: 512, State: imap.Failed}), shift, int64(len(img))-shift)
	if !ok || len(g.Volumes) != 0 || len(g.Notes) != 2 {
		t.Errorf("metadata unread: %+v", g)
	}
	// what is asked for, once read, tells of the group
	header := ranges.Range{Start: shift + 4096, End: shift + 4096 + 512}
	if diff := cmp.Diff([]ranges.Range{header}, g.Needs); diff != "" {
		t.Errorf("needs of a group whose metadata area's header is unread:\n%s", diff)
	}
	area := ranges.Range{Start: header.End, End: shift + mib} // the extents begin behind it
	g, ok = Find(reader(t, img, imap.Range{Start: area.Start, Length: area.End - area.Start, State: imap.Failed}), shift, int64(len(img))-shift)
	if !ok || g.Name != "" || len(g.Needs) == 0 {
		t.Fatalf("metadata's text unread: %+v", g)
	}
	unread := []imap.Range{}
	pos := area.Start
	for _, n := range g.Needs {
		unread = append(unread, imap.Range{Start: pos, Length: n.Start - pos, State: imap.Failed})
		pos = (n.End + sector - 1) / sector * sector
	}
	unread = append(unread, imap.Range{Start: pos, Length: area.End - pos, State: imap.Failed})
	if g, ok = Find(reader(t, img, unread...), shift, int64(len(img))-shift); !ok || g.Name != "office" {
		t.Errorf("with what it needs: %+v", g)
	}
	if g, ok := Find(reader(t, img), 0, int64(len(img))); ok {
		t.Errorf("found where there is none: %+v", g)
	}
}

// TestOtherDrives checks that what needs other drives is named, never followed.
func TestOtherDrives(t *testing.T) {
	text := `g { id = "x" extent_size = 2048
	physical_volumes { pv0 { id = "a-b" pe_start = 2048 } pv1 { id = "c-d" pe_start = 2048 } }
	logical_volumes {
	 s { status = ["READ", "VISIBLE"] segment_count = 1 segment1 { start_extent = 0 extent_count = 4 type = "striped" stripe_count = 2 stripes = ["pv0", 0, "pv1", 0] } }
	 o { status = ["READ", "VISIBLE"] segment_count = 2
	   segment1 { start_extent = 0 extent_count = 4 type = "striped" stripe_count = 1 stripes = ["pv0", 9] }
	   segment2 { start_extent = 4 extent_count = 4 type = "striped" stripe_count = 1 stripes = ["pv1", 9] } }
	 m { status = ["READ", "VISIBLE"] segment_count = 1 segment1 { start_extent = 0 extent_count = 4 type = "raid1" } }
	 away { status = ["VISIBLE"] segment_count = 1 segment1 { start_extent = 0 extent_count = 4 type = "striped" stripe_count = 1 stripes = ["pv1", 9] } }
	 twice { status = ["VISIBLE"] segment_count = 2
	   segment1 { start_extent = 0 extent_count = 4 type = "striped" stripe_count = 1 stripes = ["pv0", 9] }
	   segment2 { start_extent = 4 extent_count = 4 type = "striped" stripe_count = 1 stripes = ["pv0", 10] } }
	 hidden { status = ["READ"] segment_count = 1 }
	 end { status = ["VISIBLE"] segment_count = 1 segment1 { start_extent = 0 extent_count = 4000 type = "striped" stripe_count = 1 stripes = ["pv0", 0] } }
	 ok { status = ["VISIBLE"] segment_count = 1 segment1 { start_extent = 0 extent_count = 2 type = "striped" stripe_count = 1 stripes = ["pv0", 1] } }
	} }`
	g, err := parseGroup([]byte(text), "ab", 0, 100*mib)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	for _, v := range g.Volumes {
		got[v.Name] = v.Reason
	}
	wanted := map[string]string{
		"s": "it is striped over 2 drives: the others are needed", "o": "", "away": "it lies on another drive, which is needed", "twice": "two segments of it have one place",
		"m": "it is of type raid1, which is not followed", "end": "a part of it lies past the end of the physical volume", "ok": "",
	}
	if diff := cmp.Diff(wanted, got); diff != "" {
		t.Error(diff)
	}
	if _, err := parseGroup([]byte(text), "", 0, 100*mib); err == nil {
		t.Error("which of two drives this is was guessed")
	}
}

func FuzzText(f *testing.F) {
	img := office(f)
	a, err := parseArea(img[4096 : 4096+mdaHeader])
	if err != nil {
		f.Fatal(err)
	}
	f.Add(img[4096+a.Offset:][:a.Len], "3fXh2a0000111122223333"+"4444abcdef")
	f.Add([]byte("a { b = [ 1, \"c\" ] # d\n }"), "")
	f.Fuzz(func(t *testing.T, b []byte, id string) {
		g, err := parseGroup(b, id, shift, 40*mib)
		if err != nil {
			return
		}
		for _, v := range g.Volumes {
			pos := int64(0)
			for _, p := range v.Pieces {
				if p.Image < shift || p.Length <= 0 || p.Image+p.Length > shift+40*mib || p.Offset < pos || p.Offset+p.Length > v.Length {
					t.Fatalf("%+v", v)
				}
				pos = p.Offset + p.Length
			}
			if v.Reason == "" && pos == 0 {
				t.Fatalf("%+v", v)
			}
		}
	})
}

func FuzzHeaders(f *testing.F) {
	img := office(f)
	f.Add(img[512:1024])
	f.Add(img[4096:4608])
	f.Fuzz(func(t *testing.T, b []byte) {
		if l, err := parseLabel(b, 1); err == nil && len(l.Areas) > sector/16 {
			t.Fatalf("%+v", l)
		}
		if a, err := parseArea(b); err == nil && (a.Len > maxText || a.Offset >= a.Size) {
			t.Fatalf("%+v", a)
		}
	})
}

// Of several labels the first counts, and what stands before it leaves that open.
func TestLabels(t *testing.T) {
	img := office(t)
	moved := bytes.Clone(img)
	label := moved[3*sector : 4*sector]
	copy(label, img[sector:2*sector])
	binary.LittleEndian.PutUint64(label[8:], 3)
	binary.LittleEndian.PutUint32(label[16:], checksum(label[20:]))
	alone, noise := bytes.Clone(moved), bytes.Clone(moved)
	clear(alone[sector : 2*sector])
	noise[sector+100]++
	other := bytes.Clone(moved)
	other[3*sector+32]++
	binary.LittleEndian.PutUint32(other[3*sector+16:], checksum(other[3*sector+20:4*sector]))
	for _, c := range []struct {
		name   string
		img    []byte
		unread []imap.Range
		doubt  string
	}{
		{"one label", img, nil, ""},
		{"one in another sector", alone, nil, ""},
		{"two that are alike", moved, nil, ""},
		{"two that differ", other, nil, "differ"},
		{"the sector before it unread", img, []imap.Range{{Start: 0, Length: sector, State: imap.Failed}}, "unread"},
		{"the first unread", moved, []imap.Range{{Start: sector, Length: sector, State: imap.Failed}}, "unread"},
		{"the first damaged", noise, nil, "damaged"},
	} {
		g, ok := Find(reader(t, c.img, c.unread...), 0, int64(len(c.img)))
		if told := strings.Join(g.Doubt, "; "); !ok || g.Name == "" || (told != "") != (c.doubt != "") || !strings.Contains(told, c.doubt) {
			t.Errorf("%s: %v %q, want %q", c.name, ok, told, c.doubt)
		}
	}
}

// What the metadata says against itself is doubt.
func TestContradictions(t *testing.T) {
	text := `g { id = "x" extent_size = 2048
	physical_volumes { pv0 { id = "a-b" pe_start = 0 pe_count = 50 } }
	logical_volumes {
	 first { status = ["VISIBLE"] segment_count = 1 segment1 { start_extent = 0 extent_count = 4 type = "striped" stripe_count = 1 stripes = ["pv0", 10] } }
	 inside { status = ["VISIBLE"] segment_count = 1 segment1 { start_extent = 0 extent_count = 1 type = "striped" stripe_count = 1 stripes = ["pv0", 11] } }
	 behind { status = ["VISIBLE"] segment_count = 1 segment1 { start_extent = 0 extent_count = 1 type = "striped" stripe_count = 1 stripes = ["pv0", 13] } }
	 hidden { status = ["READ"] segment_count = 1 segment1 { start_extent = 0 extent_count = 4 type = "striped" stripe_count = 2 stripes = ["pv0", 20, "pv1", 20] } }
	 half { status = ["VISIBLE"] segment_count = 1 segment1 { start_extent = 0 extent_count = 2 type = "striped" stripe_count = 1 stripes = ["pv0", 21] } }
	 beside { status = ["VISIBLE"] segment_count = 1 segment1 { start_extent = 0 extent_count = 2 type = "striped" stripe_count = 1 stripes = ["pv0", 23] } }
	 past { status = ["VISIBLE"] segment_count = 1 segment1 { start_extent = 0 extent_count = 2 type = "striped" stripe_count = 1 stripes = ["pv0", 49] } }
	 snap { status = ["VISIBLE"] segment_count = 1 segment1 { start_extent = 0 extent_count = 2 type = "snapshot" origin = "origin" merging_store = "store" } }
	 origin { status = ["VISIBLE"] segment_count = 1 segment1 { start_extent = 0 extent_count = 1 type = "striped" stripe_count = 1 stripes = ["pv0", 30] } }
	 label { status = ["VISIBLE"] segment_count = 1 segment1 { start_extent = 0 extent_count = 1 type = "striped" stripe_count = 1 stripes = ["pv0", 0] } }
	} }`
	g, err := parseGroup([]byte(text), "ab", 0, 100*mib)
	if err != nil {
		t.Fatal(err)
	}
	g.hold([]ranges.Range{{Start: 0, End: 2048}})
	got := map[string]string{}
	for _, v := range g.Volumes {
		got[v.Name] = strings.Join(v.Doubt, "; ")
	}
	const too = "the metadata gives extents of it to the logical volume "
	wanted := map[string]string{
		"first": too + "inside too; " + too + "behind too", "inside": too + "first too", "behind": too + "first too", "half": too + "hidden too", "beside": "",
		"snap": "", "origin": "a snapshot of it was being merged into it: what stands in the snapshot may be newer",
		"past": "the metadata gives it extents past the 50 that the physical volume has", "label": "by the metadata it lies over the label or a metadata area of its physical volume",
	}
	if diff := cmp.Diff(wanted, got); diff != "" {
		t.Error(diff)
	}
}

// TestText checks what a text is refused for.
func TestText(t *testing.T) {
	for _, bad := range []string{"a {", "}", "a", "a = ", "a = [1", `a = "b`, "a = b", strings.Repeat("a {", 100)} {
		if _, err := parseText([]byte(bad)); err == nil {
			t.Errorf("%q is accepted", bad)
		}
	}
	s, err := parseText([]byte("a { b = 5 c = [\"x\", 7] d = \"q\\\"r\" }\n# end"))
	if err != nil {
		t.Fatal(err)
	}
	a := s.sections["a"]
	if a.numbers["b"] != 5 || !slices.Equal(a.lists["c"], []string{"x", "7"}) || a.strings["d"] != `q"r` {
		t.Errorf("%+v", a)
	}
}

// Of several metadata areas the newest counts, one that is marked as ignored does
// not, and one that was not read leaves it open which is the newest.
func TestAreas(t *testing.T) {
	le := binary.LittleEndian
	img := office(t)
	label := img[512:1024]
	if string(label[:8]) != labelID {
		t.Fatal("the label stands elsewhere")
	}
	// a second area at the end of the physical volume, in its list
	const second, size = 36 * mib, 512 << 10
	img = append(img, make([]byte, max(second+size-len(img), 0))...)
	at := int(le.Uint32(label[20:])) + 40
	for lists := 0; lists < 1; at += 16 {
		if le.Uint64(label[at:]) == 0 {
			lists++
		}
	}
	le.PutUint64(label[at+16:], second)
	le.PutUint64(label[at+24:], size)
	clear(label[at+32 : at+48])
	le.PutUint32(label[16:], checksum(label[20:]))
	put := func(img []byte, seqno string, ignored bool) []byte {
		img = bytes.Clone(img)
		a, err := parseArea(img[mdaUsual : mdaUsual+mdaHeader])
		if err != nil {
			t.Fatal(err)
		}
		text := bytes.Clone(img[mdaUsual+a.Offset:][:a.Len])
		i := bytes.Index(text, []byte("seqno = "))
		text = slices.Concat(text[:i], []byte("seqno = "+seqno), text[i+bytes.IndexByte(text[i:], '\n'):])
		text = bytes.Replace(text, []byte("first"), []byte("other"), 1)
		h := img[second:][:mdaHeader]
		copy(h, img[mdaUsual:mdaUsual+mdaHeader])
		le.PutUint64(h[24:], second)
		le.PutUint64(h[32:], size)
		le.PutUint64(h[40:], 1024)
		le.PutUint64(h[48:], uint64(len(text)))
		le.PutUint32(h[56:], checksum(text))
		if ignored {
			le.PutUint32(h[60:], 1)
		}
		le.PutUint32(h, checksum(h[4:]))
		copy(img[second+1024:], text)
		return img
	}
	first, _ := Find(reader(t, img[:mdaUsual+mib]), 0, int64(len(img)))
	for _, c := range []struct {
		name, seqno string
		ignored     bool
		unread      []imap.Range
		want        string
		open        bool
	}{
		{"the second is newer", "999", false, nil, "other", false},
		{"the second is older", "1", false, nil, "first", false},
		{"both are of one age, and differ", fmt.Sprint(first.seqno), false, nil, "first", true},
		{"the second is newer and ignored", "999", true, nil, "first", true},
		{"the second is older and ignored", "1", true, nil, "first", false},
		{"the second is ignored and its text unread", "1", true, []imap.Range{{Start: second + 1024, Length: 512, State: imap.Failed}}, "first", true},
		{"the second is unread", "999", false, []imap.Range{{Start: second, Length: 512, State: imap.Failed}}, "first", true},
		{"the label is unread", "1", false, []imap.Range{{Start: 512, Length: 512, State: imap.Failed}}, "first", true},
	} {
		moved := put(img, c.seqno, c.ignored)
		g, ok := Find(reader(t, moved, c.unread...), 0, int64(len(moved)))
		if !ok || len(g.Volumes) == 0 || g.Volumes[0].Name != c.want || (len(g.Doubt) > 0) != c.open || (len(c.unread) > 0) != (len(g.Needs) > 0) {
			t.Errorf("%s: %v %+v", c.name, ok, g)
		}
	}
}

package fat

import (
	"context"
	"slices"
	"testing"

	"fileassay/extract"

	"github.com/google/go-cmp/cmp"
)

// TestTableBytes takes FAT12 entries apart: two of them share three bytes, and
// one stands across the end of a sector. FAT: General Overview 1.03, "FAT Data
// Structure": the entry of cluster 341 is bytes 511 and 512.
func TestTableBytes(t *testing.T) {
	const second = 4096
	make := func() *Disk {
		d := &Disk{Size: 1 << 20}
		for _, at := range []int64{0, second} {
			d.Write(at+510, []byte{0x34, 0xF2, 0xFF, 0x67, 0x85, 0xFF}) // 340: 0x234, 341: 0xFFF, 342: 0x567, past the last cluster
		}
		return d
	}
	open := func(d *Disk) *table {
		return newTable(d.Reader(), []int64{0, second}, 3*512, width12, 900)
	}
	linked := func(m mark, raw uint32) link { return link{value: value{Mark: m, Raw: raw}} }
	second0 := func(m mark, raw uint32) link {
		l := linked(m, raw)
		l.Second = true
		return l
	}
	for _, c := range []struct {
		name string
		lose [][2]int64
		want [3]link // of 340, 341, 342
	}{
		{"all read", nil, [3]link{linked(markNext, 0x234), linked(markEnd, 0xFFF), linked(markInvalid, 0x567)}},
		{"first sector of the first copy", [][2]int64{{0, 512}},
			[3]link{second0(markNext, 0x234), second0(markEnd, 0xFFF), linked(markInvalid, 0x567)}},
		{"different sectors of the copies", [][2]int64{{0, 512}, {second + 512, 512}},
			[3]link{second0(markNext, 0x234), second0(markEnd, 0xFFF), linked(markInvalid, 0x567)}},
		{"first sector of both", [][2]int64{{0, 512}, {second, 512}},
			[3]link{{}, {}, linked(markInvalid, 0x567)}},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := make()
			for _, l := range c.lose {
				d.Lose(l[0], l[1])
			}
			tab := open(d)
			got := [3]link{tab.entry(340), tab.entry(341), tab.entry(342)}
			if diff := cmp.Diff(c.want, got, cmp.AllowUnexported(link{})); diff != "" {
				t.Error(diff)
			}
		})
	}
	t.Run("copies disagree", func(t *testing.T) {
		d := make()
		d.Write(second+510, []byte{0x35})
		tab := open(d)
		want := linked(markNext, 0x234)
		want.Disagree, want.Alt = true, value{Mark: markNext, Raw: 0x235}
		if diff := cmp.Diff(want, tab.entry(340), cmp.AllowUnexported(link{})); diff != "" {
			t.Error(diff)
		}
		n, err := tab.count(context.Background())
		if err != nil || n.Disagree != 1 {
			t.Errorf("%d entries disagree (%v), want 1", n.Disagree, err)
		}
	})
}

// TestMarks pins the special values. Overview, "FAT Data Structure": bad is
// FF7, FFF7, FFFFFF7, the end FF8 and more; FAT32 has 28 bits. exFAT
// specification, 4.1.3: FFFFFFF7 bad, FFFFFFFF end.
func TestMarks(t *testing.T) {
	for _, c := range []struct {
		width width
		raw   uint32
		want  mark
	}{
		{width16, 0, markFree}, {width16, 1, markInvalid}, {width16, 2, markNext}, {width16, 101, markNext},
		{width16, 102, markInvalid}, {width16, 0xFFF6, markInvalid}, {width16, 0xFFF7, markBad},
		{width16, 0xFFF8, markEnd}, {width16, 0xFFFF, markEnd},
		{width28, 0xF0000000, markFree}, {width28, 0xA0000005, markNext}, {width28, 0x0FFFFFF7, markBad},
		{width28, 0x0FFFFFF8, markEnd}, {width28, 0xFFFFFFFF, markEnd},
		{widthExFAT, 0xFFFFFFF7, markBad}, {widthExFAT, 0xFFFFFFF8, markInvalid}, {widthExFAT, 0xFFFFFFFF, markEnd},
		{widthExFAT, 0xA0000005, markInvalid},
	} {
		d := &Disk{Size: 1 << 20}
		if c.width == width16 {
			d.Put16(10, uint16(c.raw))
		} else {
			d.Put32(20, c.raw)
		}
		tab := newTable(d.Reader(), []int64{0}, 4096, c.width, 100)
		if got := tab.entry(5).Mark; got != c.want {
			t.Errorf("%d bits, %#x: mark %d, want %d", c.width, c.raw, got, c.want)
		}
	}
}

// FuzzTable reads a table of any bytes, any part of it unread: entries that are
// Next lie in the volume, and unread bytes change nothing.
func FuzzTable(f *testing.F) {
	f.Add([]byte{0xF8, 0xFF, 0xFF, 3, 0x40, 0, 0xFF, 0x0F}, uint8(12), uint16(0))
	f.Add([]byte{0xF8, 0xFF, 0xFF, 0x0F, 0xFF, 0xFF, 0xFF, 0x0F, 3, 0, 0, 0}, uint8(28), uint16(1))
	f.Fuzz(func(t *testing.T, b []byte, bits uint8, lose uint16) {
		w := width([]uint8{12, 16, 28, 32}[bits%4])
		var answers [2][]link
		for i := range answers {
			d := &Disk{Size: 16 << 10}
			d.Write(0, b[:min(len(b), 8<<10)])
			d.Write(8<<10, b[len(b)/2:min(len(b), len(b)/2+8<<10)])
			for s := range 16 {
				if lose>>s&1 != 0 {
					d.Lose(int64(s)*1024, 512)
				}
			}
			if i == 1 {
				d.Scribble(uint64(lose))
			}
			tab := newTable(d.Reader(), []int64{0, 8 << 10}, 8<<10, w, 1900)
			for c := uint32(firstCluster); c < 1902; c++ {
				e := tab.entry(c)
				if e.Mark == markNext && (e.Raw < 2 || e.Raw > 1901) {
					t.Fatalf("entry %d leads to %d", c, e.Raw)
				}
				answers[i] = append(answers[i], e)
			}
		}
		if !slices.Equal(answers[0], answers[1]) {
			t.Fatalf("unread bytes matter: %s", cmp.Diff(answers[0], answers[1], cmp.AllowUnexported(link{})))
		}
	})
}

// What a volume costs follows what was read of it, not what it states.
func TestWorkFollowsWhatWasRead(t *testing.T) {
	v := build(t, shape{width: width28, clusters: 60 << 20, spc: 64})
	f := v.sub(&v.root, "MAPS       ", 3)
	v.file(f, "A       TXT", "", uint32(v.ClusterSize)+1, 5, 6)
	v.Lose(1<<20, v.Size-1<<20)
	vol, err := Open(t.Context(), v.Reader(), 0, v.Size, extract.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := vol.Walk(t.Context(), func(*extract.File) error { return nil }); err != nil {
		t.Fatal(err)
	}
	if n, most := vol.layout.table.asked, int64(4<<20); n > most {
		t.Errorf("%d entries of the table were asked for, more than %d", n, most)
	}
}

package volume

import (
	"context"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// onlyRead are the holes of a disk of which nothing but some sectors was read.
func onlyRead(disk []byte, sectors ...int64) []unread {
	var out []unread
	pos := int64(0)
	for _, s := range append(sectors, int64(len(disk))/sec) {
		if s > pos {
			out = append(out, unread{pos * sec, (s - pos) * sec})
		}
		pos = s + 1
	}
	return out
}

// unreadNeeds are the needs of a layout and its volumes, as far as they are
// unread.
func unreadNeeds(r *image.Reader, l *Layout) [][2]int64 {
	var set ranges.Set
	lists := [][]ranges.Range{l.Needs}
	for _, v := range l.Volumes {
		lists = append(lists, v.Needs)
	}
	for _, list := range lists {
		for _, s := range list {
			for u := range r.Unread(s.Start, s.End-s.Start) {
				set.Add(u.Start, u.Length)
			}
		}
	}
	var out [][2]int64
	for s := range set.All() {
		out = append(out, [2]int64{s.Start, s.End - s.Start})
	}
	return out
}

func TestNeeds(t *testing.T) {
	types := make([]byte, 12288*sec)
	putMBR(types, 0,
		bootEntry{Type: 0x07, Start: 2048, Sectors: 1024},
		bootEntry{Type: 0x83, Start: 4096, Sectors: 1024},
		bootEntry{Type: 0xAF, Start: 6144, Sectors: 1024},
		bootEntry{Type: 0xDA, Start: 8192, Sectors: 1024}) // "non-filesystem data": no reader is hinted at
	pools := make([]byte, 12288*sec)
	putMBR(pools, 0,
		bootEntry{Type: 0x8E, Start: 2048, Sectors: 1024}, // LVM: label, metadata area
		bootEntry{Type: 0xFD, Start: 4096, Sectors: 1024}) // md: versions 1.1 and 1.2
	gpt := gptDisk(t, sec)
	for _, tt := range []struct {
		name  string
		disk  []byte
		holes []unread
		want  [][2]int64
	}{
		{"all read", logicalDisk(), nil, nil},
		{"nothing read", make([]byte, 4096*sec), []unread{{0, 4096 * sec}}, [][2]int64{{0, 4096}}},
		{"an empty first sector", make([]byte, 4096*sec), onlyRead(make([]byte, 4096*sec), 0), [][2]int64{{512, 4096 - 512}}},
		{"partitions by their types", types, onlyRead(types, 0),
			[][2]int64{{2048 * sec, 512}, {4096*sec + 1024, 1024}, {6144*sec + 1024, 512}, {8192 * sec, 4096}}},
		{"partitions with metadata of their own", pools, onlyRead(pools, 0),
			[][2]int64{{2048 * sec, 2048}, {2048*sec + 4096, 512}, {4096 * sec, 512}, {4096*sec + 4096, 512}}},
		{"a chain of logical drives", logicalDisk(), onlyRead(logicalDisk(), 0, 2048), [][2]int64{{4096 * sec, 512}}},
		{"its next link", logicalDisk(), onlyRead(logicalDisk(), 0, 2048, 4096), [][2]int64{{4160*sec + 1024, 1024}, {6144 * sec, 512}}},
		{"the header of a GPT", gpt, onlyRead(gpt, 0), [][2]int64{{512, 33 * 512}}},
		{"the entries of a GPT", gpt, onlyRead(gpt, 0, 1), [][2]int64{{1024, 32 * 512}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := reader(t, tt.disk, sec, tt.holes...)
			if d := cmp.Diff(tt.want, unreadNeeds(r, mustFind(t, r))); d != "" {
				t.Errorf("needs (-want +got):\n%s", d)
			}
		})
	}
}

// A reader that was shown its primary structure says itself what it needs, and
// places count from the image's start where the drive begins inside it.
func TestNeedsOfReaders(t *testing.T) {
	const shift = 3 * sec
	var ask []ranges.Range
	kinds := []Kind{{Name: "toy", Filesystems: []string{"toy"}, Sniff: toySniff,
		Open: func(_ context.Context, _ *image.Reader, start, _ int64, _ extract.Options) (extract.Filesystem, error) {
			ask = []ranges.Range{{Start: start + 64*sec, End: start + 65*sec}}
			return nil, &extract.NotVolumeError{Filesystem: "toy", Start: start, Why: "its table is unread", Needs: ask}
		}}}
	disk := make([]byte, 4096*sec+shift)
	putToy(disk[shift:], 0, 4096*sec)
	l, err := findFrom(t.Context(), reader(t, disk, sec, unread{shift + 2*sec, 4094 * sec}), shift, extract.Options{}, kinds)
	if err != nil {
		t.Fatal(err)
	}
	want := []ranges.Range{{Start: 64*sec + shift, End: 65*sec + shift}}
	if len(l.Volumes) != 1 || !cmp.Equal(want, l.Volumes[0].Needs[:1]) {
		t.Errorf("%+v, want needs %v", l.Volumes, want)
	}
	if ask[0] != want[0] {
		t.Error("what the reader gave was changed")
	}
}

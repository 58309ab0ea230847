package volume

import (
	"bytes"
	"errors"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"fileassay/extract"

	"github.com/google/go-cmp/cmp"
)

// offsets are the numbers after the word offset.
var offsets = regexp.MustCompile(`(offsets?|reaches to offset|and) (\d{3,})`)

// movedText is a remark with every offset in it moved.
func movedText(s string, by int64) string {
	return offsets.ReplaceAllStringFunc(s, func(m string) string {
		i := strings.LastIndexByte(m, ' ')
		n, err := strconv.ParseInt(m[i+1:], 10, 64)
		if err != nil || strings.HasPrefix(m, "and ") {
			return m
		}
		return m[:i+1] + strconv.FormatInt(n+by, 10)
	})
}

// A drive that begins inside an image is laid out like the drive alone, every
// place of it moved, in words too.
func TestFindFrom(t *testing.T) {
	const by = 63 * sec
	bare := make([]byte, 4*mib)
	putToy(bare, 0, 4*mib)
	lost := make([]byte, 16*mib)
	putToy(lost, mib, 4*mib)
	putToy(lost, 12345*sec, 777*sec)
	nested := make([]byte, 8*mib)
	putMBR(nested, 0, bootEntry{Type: 0x83, Start: 2048, Sectors: 9000}, bootEntry{Type: 0x83, Start: 4096, Sectors: 40000})
	putToy(nested, 2048*sec, 8000*sec)
	for _, tt := range []struct {
		name  string
		disk  []byte
		holes []unread
	}{
		{"logical drives", logicalDisk(), nil},
		{"a broken chain", logicalDisk(), []unread{{6144 * sec, sec}}},
		{"GPT", gptDisk(t, 512), nil},
		{"GPT of 4096", gptDisk(t, 4096), []unread{{4096, 4096}}},
		{"Apple map", apmDisk(512), nil},
		{"bare", bare, nil},
		{"no table", lost, []unread{{0, sec}}},
		{"entries that overlap and pass the end", nested, nil},
		{"empty", make([]byte, mib), nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			want := mustFind(t, reader(t, tt.disk, 512, tt.holes...))
			// what stands before the drive is a table of its own, which must not speak
			whole := append(bytes.Repeat([]byte{0x77}, by), tt.disk...)
			putMBR(whole, 0, bootEntry{Type: 0x07, Start: 1, Sectors: 60})
			var holes []unread
			for _, h := range tt.holes {
				holes = append(holes, unread{h.start + by, h.length})
			}
			got, err := findFrom(t.Context(), reader(t, whole, 512, holes...), by, extract.Options{Threads: 1}, toyKinds())
			if err != nil {
				t.Fatal(err)
			}
			for i := range want.Partitions {
				want.Partitions[i].Start += by
				want.Partitions[i].Problem = movedText(strings.ReplaceAll(want.Partitions[i].Problem, "drive at ", "drive at offset "), by)
				got.Partitions[i].Problem = strings.ReplaceAll(got.Partitions[i].Problem, "drive at ", "drive at offset ")
			}
			for i := range want.Structures {
				if want.Structures[i].Image >= 0 {
					want.Structures[i].Image += by
				}
			}
			if d := cmp.Diff(want.Partitions, got.Partitions); d != "" {
				t.Errorf("partitions (-want +got):\n%s", d)
			}
			if d := cmp.Diff(want.Structures, got.Structures); d != "" {
				t.Errorf("structures (-want +got):\n%s", d)
			}
			w, g := briefs(want), briefs(got)
			for i := range w {
				w[i].Start += by
				w[i].Found = movedText(w[i].Found, by)
			}
			if d := cmp.Diff(w, g); d != "" {
				t.Errorf("volumes (-want +got):\n%s", d)
			}
			for i, v := range got.Volumes {
				if p := v.Partition; p != nil && p.Start != want.Volumes[i].Partition.Start {
					t.Errorf("volume %d: its partition is at %d, want %d", i, p.Start, want.Volumes[i].Partition.Start)
				}
			}
			if len(got.Notes) != len(want.Notes)+1 || !strings.Contains(got.Notes[len(got.Notes)-1], "32256") {
				t.Errorf("notes %q, want %q and one more", got.Notes, want.Notes)
			}
			if got.Scheme != want.Scheme || got.SectorSize != want.SectorSize || len(got.Missing) != len(want.Missing) {
				t.Errorf("%s, %d, %q", got.Scheme, got.SectorSize, got.Missing)
			}
		})
	}
	for _, off := range []int64{-512, 4 * mib, 1 << 60} {
		if _, err := findFrom(t.Context(), reader(t, bare, 512), off, extract.Options{}, toyKinds()); err == nil {
			t.Errorf("offset %d is no error", off)
		}
	}
}

// A volume given by hand ends where its own structures say, or with the drive.
func TestVolumeAt(t *testing.T) {
	disk := make([]byte, 8*mib)
	putMBR(disk, 0, bootEntry{Type: 0x83, Start: 2048, Sectors: 2048})
	putToy(disk, 3*mib, 2*mib)
	copy(disk[6*mib+2048:], "toy table")
	for _, tt := range []struct {
		name  string
		start int64
		holes []unread
		want  brief
	}{
		{"by its boot sector", 3 * mib, nil, brief{3 * mib, 2 * mib, "toy", "given by hand"}},
		{"by its backup", 3 * mib, []unread{{3 * mib, sec}}, brief{3 * mib, 2 * mib, "toy", "given by hand"}},
		{"by neither", 6 * mib, nil, brief{6 * mib, 2 * mib, "toy", "given by hand"}},
	} {
		l, err := volumeAt(t.Context(), reader(t, disk, 512, tt.holes...), tt.start, "toy", extract.Options{Threads: 1}, toyKinds())
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		if d := cmp.Diff([]brief{tt.want}, briefs(l)); d != "" {
			t.Errorf("%s (-want +got):\n%s", tt.name, d)
		}
		if len(l.Missing) != 1 { // a list of one volume of several must not look complete
			t.Errorf("%s: missing %q", tt.name, l.Missing)
		}
	}
	r := reader(t, disk, 512)
	_, err := volumeAt(t.Context(), r, mib, "toy", extract.Options{}, toyKinds())
	if no, ok := errors.AsType[*extract.NotVolumeError](err); !ok || no.Start != mib {
		t.Errorf("no volume: %v", err)
	}
	for _, start := range []int64{-512, 8 * mib, 1 << 62} {
		if _, err := volumeAt(t.Context(), r, start, "toy", extract.Options{}, toyKinds()); err == nil {
			t.Errorf("a volume at %d is no error", start)
		}
	}
	if _, err := At(t.Context(), r, mib, "toy", extract.Options{}); err == nil || !strings.Contains(err.Error(), "those that can are ntfs, fat, fat12") {
		t.Errorf("an unknown filesystem: %v", err)
	}
}

// What stands in front of a volume counts as well where a person says where the
// volume begins.
func TestVolumeAtFront(t *testing.T) {
	ntfs := unpack(t, "../../cmd/fileassay/testdata/ferry.img.zst")[32768:]
	group := unpack(t, "../lvm/testdata/office.img.zst")
	copy(group[mib:], ntfs)
	copy(group[24*mib:], ntfs[:len(ntfs)/2]) // the rest of the logical volume is too short
	member := func(level uint32, at int64) []byte {
		d := make([]byte, at+8*mib)
		copy(d[at+mib:], ntfs)
		copy(d[at+4096:], mdSuper(4096, level, mib/512, 6*mib/512))
		if at > 0 {
			putMBR(d, 0, bootEntry{Type: 0xFD, Start: uint32(at / 512), Sectors: 8 * mib / 512})
		}
		return d
	}
	super := unread{4096, 4096}
	wiped := member(0, 2*mib)
	clear(wiped[2*mib+4096:][:4096])
	for _, c := range []struct {
		name  string
		drive []byte
		at    int64
		holes []unread
		doubt string
	}{
		{"one of two with stripes", member(0, 0), mib, nil, "RAID 0 of 2 drives"},
		{"its metadata unread, but it is whole from end to end", member(0, 0), mib, []unread{super}, ""},
		{"in a partition", member(0, 2*mib), 3 * mib, []unread{{2*mib + 4096, 4096}}, "Linux md, version 1.2"},
		{"in a partition, its metadata wiped", wiped, 3 * mib, nil, "none was read"},
		{"one of a mirror", member(1, 0), mib, nil, ""},
		{"a logical volume", group, mib, nil, ""},
		{"a logical volume, the metadata unread", group, mib, []unread{super}, "LVM2"},
		{"a logical volume, the label unread", group, mib, []unread{{512, 512}}, "label is unread"},
		{"over the end of a logical volume", group, 24 * mib, nil, "not in one piece"},
		{"bare", ntfs, 0, nil, ""},
	} {
		r := reader(t, c.drive, 512, c.holes...)
		l, err := At(t.Context(), r, c.at, "ntfs", extract.Options{})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		v := &l.Volumes[0]
		if told := strings.Join(v.Doubt, "; "); (told != "") != (c.doubt != "") || !strings.Contains(told, c.doubt) || (len(c.holes) > 0 && c.doubt != "") != (len(v.Needs) > 0) {
			t.Errorf("%s: doubt %q, want %q; needs %v", c.name, told, c.doubt, v.Needs)
		}
		fs, err := Open(t.Context(), r, v, extract.Options{})
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		files, proved := 0, 0
		survey, err := fs.Walk(t.Context(), func(f *extract.File) error {
			if files++; !f.RecordUnread {
				proved++
			}
			return nil
		})
		if err != nil || files == 0 || (proved == 0 || !survey.Listing.Complete) != (c.doubt != "") {
			t.Errorf("%s: %d of %d proved, %v", c.name, proved, files, err)
		}
	}
}

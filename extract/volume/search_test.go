package volume

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"math/rand/v2"
	"testing"

	"fileassay/extract"
	"fileassay/extract/fixture"
	"fileassay/extract/image"
	"fileassay/extract/imap"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

const mib = 1 << 20

func TestWithoutTable(t *testing.T) {
	const size = 16 * mib
	mbr := unread{0, sec}
	for _, tt := range []struct {
		name  string
		build func(d []byte)
		holes []unread
		want  []brief
		note  string
		doubt bool // of all that open
	}{
		{
			name:  "MBR unread",
			build: func(d []byte) { putToy(d, mib, 4*mib); putToy(d, 5*mib, 2*mib) },
			holes: []unread{mbr},
			want: []brief{
				{mib, 4 * mib, "toy", "boot sector at offset 1048576 (no table)"},
				{5 * mib, 2 * mib, "toy", "boot sector at offset 5242880 (no table)"},
			},
			note: "was not read and has no copy",
		},
		{
			name:  "at a place nobody thinks of",
			build: func(d []byte) { putToy(d, 12345*sec, 777*sec) },
			holes: []unread{mbr},
			want:  []brief{{12345 * sec, 777 * sec, "toy", "boot sector at offset 6320640 (no table)"}},
		},
		{
			name:  "primary boot sector unread too",
			build: func(d []byte) { putToy(d, 12345*sec, 777*sec) },
			holes: []unread{mbr, {12340 * sec, 20 * sec}},
			want:  []brief{{12345 * sec, 777 * sec, "toy", "backup boot sector at offset 6717952 (no table)"}},
		},
		{
			name: "in a file it is content",
			build: func(d []byte) {
				putToy(d, mib, 8*mib)
				putToy(d, 3*mib, mib)
				putToyFile(d, mib, 3*mib, mib)
			},
			holes: []unread{mbr},
			want:  []brief{{mib, 8 * mib, "toy", "boot sector at offset 1048576 (no table)"}},
		},
		{
			name: "in a file of a volume that its backup speaks for",
			build: func(d []byte) {
				putToy(d, mib, 8*mib)
				putToy(d, 3*mib, mib)
				putToyFile(d, mib, 3*mib, mib)
			},
			holes: []unread{mbr, {mib, sec}},
			want:  []brief{{mib, 8 * mib, "toy", "backup boot sector at offset 9436672 (no table)"}},
			note:  "1 claims to volumes inside the toy volume at offset 1048576 are left out",
		},
		{
			name: "in no file it is a rival",
			build: func(d []byte) {
				putToy(d, mib, 8*mib)
				putToy(d, 3*mib, mib)
				putToyFile(d, mib, 3*mib-sec, mib) // holds it, but begins with something else
			},
			holes: []unread{mbr},
			want:  []brief{{mib, 8 * mib, "toy", "boot sector at offset 1048576 (no table)"}},
			note:  "of 1048576 bytes at offset 3145728 is not listed",
			doubt: true,
		},
		{
			name: "several in no file are likelier than what encloses them",
			build: func(d []byte) {
				putToy(d, mib, 15*mib)
				putToy(d, 3*mib, 5*mib)
				putToy(d, 8*mib, 7*mib)
			},
			holes: []unread{mbr},
			want: []brief{
				{0, 3 * mib, "unknown", "space outside the volumes found"},
				{3 * mib, 5 * mib, "toy", "boot sector at offset 3145728 (no table)"},
				{8 * mib, 7 * mib, "toy", "boot sector at offset 8388608 (no table)"},
			},
			note:  "of 15728640 bytes at offset 1048576 is not listed",
			doubt: true,
		},
		{
			name: "an old backup gives way, in doubt",
			build: func(d []byte) {
				putToy(d, mib, 8*mib) // the old volume: its backup stays
				clear(d[mib : mib+sec])
				putToy(d, 2*mib, 3*mib)
			},
			holes: []unread{mbr},
			want: []brief{
				{2 * mib, 3 * mib, "toy", "boot sector at offset 2097152 (no table)"},
				{5 * mib, 11 * mib, "unknown", "space outside the volumes found"},
			},
			doubt: true,
		},
		{
			name:  "an old backup alone still speaks",
			build: func(d []byte) { putToy(d, mib, 8*mib); d[mib+5] ^= 1 },
			holes: []unread{mbr},
			want:  []brief{{mib, 8 * mib, "toy", "backup boot sector at offset 9436672 (no table)"}},
		},
		{
			name:  "copies that are alike",
			build: func(d []byte) { putTwin(d, mib, 4*mib); putTwin(d, 5*mib, 2*mib) },
			holes: []unread{mbr},
			want: []brief{
				{mib, 4 * mib, "toy", "boot sector at offset 1048576 (no table)"},
				{5 * mib, 2 * mib, "toy", "boot sector at offset 5242880 (no table)"},
			},
		},
		{
			name:  "copies that are alike, the first unread",
			build: func(d []byte) { putTwin(d, 4*mib, 4*mib) },
			holes: []unread{mbr, {4 * mib, sec}},
			want:  []brief{{4 * mib, 4 * mib, "toy", "backup boot sector at offset 8388096 (no table)"}},
		},
		{
			name:  "copies that are alike, all other places unread",
			build: func(d []byte) { putTwin(d, 4*mib, 4*mib) },
			holes: []unread{{0, 8*mib - sec}, {8 * mib, 8 * mib}},
			doubt: true, // it may be a piece of a logical volume
			want:  []brief{{4 * mib, 4 * mib, "toy", "backup boot sector at offset 8388096 (no table)"}},
		},
		{
			name:  "before the drive, past its end",
			build: func(d []byte) { putToyBoot(d, mib, 0, 2*mib); putToyBoot(d, 2*mib, 2*mib, 1<<61) },
			holes: []unread{mbr},
			want:  []brief{{0, size, "unread", "whole drive"}},
		},
		{
			name:  "bare",
			build: func(d []byte) { putToy(d, 0, size) },
			want:  []brief{{0, size, "toy", "bare volume"}},
		},
		{
			name:  "bare, its boot sector unread",
			build: func(d []byte) { putToy(d, 0, size) },
			holes: []unread{mbr},
			want:  []brief{{0, size, "toy", "bare volume"}},
			note:  "opens as one bare toy volume by its other structures",
		},
		{
			name:  "bare, rebuilt from its other structures",
			build: func(d []byte) { copy(d[2048:], "toy table") },
			holes: []unread{mbr},
			want:  []brief{{0, size, "toy", "bare volume"}},
		},
		{
			name: "what a bare volume could be rebuilt from is a partition's",
			build: func(d []byte) {
				copy(d[2048:], "toy table")
				putToy(d, mib, 2*mib)
			},
			holes: []unread{mbr},
			want:  []brief{{mib, 2 * mib, "toy", "boot sector at offset 1048576 (no table)"}},
		},
		{
			name:  "one volume to the drive's end is not bare",
			build: func(d []byte) { putToy(d, mib, 15*mib) },
			holes: []unread{mbr, {mib, sec}},
			want:  []brief{{mib, 15 * mib, "toy", "backup boot sector at offset 16776704 (no table)"}},
		},
		{
			name:  "zeros",
			build: func([]byte) {},
			want:  []brief{{0, size, "empty", "whole drive"}},
			note:  "sector 0 is empty",
		},
		{
			name:  "nothing read",
			build: func([]byte) {},
			holes: []unread{{0, size}},
			want:  []brief{{0, size, "unread", "whole drive"}},
		},
		{
			name: "boot program that reads like a table",
			build: func(d []byte) {
				putToy(d, 0, size)
				putMBR(d, 0, bootEntry{Type: 0x6E, Start: 17, Sectors: 12})
			},
			want: []brief{{0, size, "toy", "bare volume"}},
		},
		{
			name: "what cannot be listed is named",
			build: func(d []byte) {
				putToy(d, mib, 2*mib)
				copy(d[4*mib:], "LUKS\xBA\xBE")
			},
			holes: []unread{mbr},
			want: []brief{
				{mib, 2 * mib, "toy", "boot sector at offset 1048576 (no table)"},
				{4 * mib, 12 * mib, "luks", "signature at offset 4194304 (no table)"},
			},
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			disk := make([]byte, size)
			tt.build(disk)
			l := mustFind(t, reader(t, disk, sec, tt.holes...))
			if d := cmp.Diff(tt.want, briefs(l)); d != "" {
				t.Errorf("volumes (-want +got):\n%s\nnotes %q", d, l.Notes)
			}
			if tt.note != "" && !hasNote(l, tt.note) {
				t.Errorf("no note with %q in %q", tt.note, l.Notes)
			}
			for _, v := range l.Volumes {
				if v.Filesystem != "toy" && v.Reason == "" {
					t.Errorf("%s at %d cannot be listed and no reason is given", v.Filesystem, v.Start)
				}
				if v.Reason == "" && tt.doubt != (len(v.Doubt) > 0) {
					t.Errorf("doubts of the volume at %d are %q", v.Start, v.Doubt)
				}
			}
		})
	}
}

// Law 1: what stands in unread sectors reaches no answer.
func TestUnreadSectorsAreNoData(t *testing.T) {
	disks := map[string]func() []byte{
		"gpt": func() []byte { return gptDisk(t, sec) },
		"mbr": logicalDisk,
		"bare": func() []byte {
			d := make([]byte, 4*mib)
			putToy(d, 0, 4*mib)
			return d
		},
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for name, build := range disks {
		rounds := 60
		if testing.Short() {
			rounds = 10
		}
		for round := range rounds {
			clean := build()
			var holes []unread
			interesting := []int64{0, 1, 2, 3, 10, 33, 256, 1279, 2048, 2559, 4063, 4095, 4096, 4160, 6144, 6208, 8192, 8191, 8255}
			for range 1 + rng.IntN(5) {
				at := interesting[rng.IntN(len(interesting))] * sec
				n := min(int64(1+rng.IntN(20))*sec, int64(len(clean))-at)
				if at >= int64(len(clean)) {
					continue
				}
				if len(holes) == 0 || holes[len(holes)-1].start != at {
					holes = append(holes, unread{at, n})
				}
			}
			var first *Layout
			for fill := range 4 {
				disk := build()
				for _, h := range holes {
					part := disk[h.start : h.start+h.length]
					switch fill {
					case 1:
						clear(part)
					case 2:
						for i := range part {
							part[i] = byte(rng.Uint32())
						}
					case 3:
						copy(part, disk[rng.Int64N(int64(len(disk)-len(part))):])
					}
				}
				l := mustFind(t, reader(t, disk, sec, holes...))
				if first == nil {
					first = l
				} else if d := cmp.Diff(first, l, cmpopts.IgnoreUnexported(Volume{})); d != "" {
					t.Fatalf("%s, round %d, holes %v, fill %d (-true +filled):\n%s", name, round, holes, fill, d)
				}
			}
		}
	}
}

func TestFindEndsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := newPlaces(reader(t, make([]byte, mib), sec), extract.Options{}, toyKinds()).find(ctx)
	if !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
}

func TestOpen(t *testing.T) {
	disk := gptDisk(t, sec)
	r := reader(t, disk, sec)
	l := mustFind(t, r)
	fs, err := open(t.Context(), r, &l.Volumes[0], extract.Options{}, toyKinds())
	if err != nil || fs.Info().Filesystem != "toy" {
		t.Errorf("got %v, %v", fs, err)
	}
	if l.Volumes[0].fs != nil {
		t.Error("the reader that the volume was found with is given twice")
	}
	_, err = open(t.Context(), r, &Volume{Start: 512, Filesystem: "xfs", Reason: noReader}, extract.Options{}, toyKinds())
	var no *NotListedError
	if !errors.As(err, &no) || no.Start != 512 {
		t.Errorf("got %v", err)
	}
}

// Progress comes to its end, and never passes it.
func TestSearchTellsProgress(t *testing.T) {
	disk := make([]byte, 16*mib)
	putToy(disk, 3*mib, 2*mib)
	var last, total int64
	o := extract.Options{Progress: func(_ string, d, n int64) {
		if d < last || d > n {
			t.Errorf("progress went from %d to %d of %d", last, d, n)
		}
		last, total = d, n
	}}
	if _, err := newPlaces(reader(t, disk, sec, unread{0, sec}), o, toyKinds()).find(t.Context()); err != nil {
		t.Fatal(err)
	}
	if last != total || total != int64(len(disk)) {
		t.Errorf("progress ended at %d of %d", last, total)
	}
}

// BenchmarkSearch measures the search of all sectors from memory.
func BenchmarkSearch(b *testing.B) {
	disk := make([]byte, 64*mib)
	rng := rand.New(rand.NewPCG(3, 4))
	for i := range disk {
		disk[i] = byte(rng.Uint32())
	}
	r := reader(b, disk, sec, unread{0, sec})
	b.SetBytes(int64(len(disk)))
	for b.Loop() {
		if _, err := newPlaces(r, extract.Options{}, Kinds()).find(b.Context()); err != nil {
			b.Fatal(err)
		}
	}
}

// An image that was cut short: what passes its end is listed, and said.
func TestCutImage(t *testing.T) {
	t.Run("gpt", func(t *testing.T) {
		disk := gptDisk(t, sec)[:2300*sec]
		l := mustFind(t, reader(t, disk, sec))
		if d := cmp.Diff(gptWant(sec), briefs(l)); d != "" {
			t.Errorf("volumes (-want +got):\n%s", d)
		}
		for _, n := range []string{"GPT entry 3: reaches to offset 1310720, past the end", "backup header"} {
			if !hasNote(l, n) {
				t.Errorf("no note %q in %q", n, l.Notes)
			}
		}
	})
	t.Run("whole partition gone", func(t *testing.T) {
		disk := gptDisk(t, sec)[:2000*sec]
		l := mustFind(t, reader(t, disk, sec))
		want := gptWant(sec)
		want[1].Filesystem = "unread"
		if d := cmp.Diff(want, briefs(l)); d != "" {
			t.Errorf("volumes (-want +got):\n%s", d)
		}
	})
	t.Run("no table", func(t *testing.T) {
		disk := make([]byte, 16*mib)
		putToy(disk, 2*mib, 10*mib)
		l := mustFind(t, reader(t, disk[:8*mib], sec, unread{0, sec}))
		want := []brief{{2 * mib, 10 * mib, "toy", "boot sector at offset 2097152 (no table)"}}
		if d := cmp.Diff(want, briefs(l)); d != "" {
			t.Errorf("volumes (-want +got):\n%s", d)
		}
	})
}

// The volumes of a dynamic disk are found in its partition.
func TestDynamicDisk(t *testing.T) {
	disk := make([]byte, 16*mib)
	putMBR(disk, 0, bootEntry{Type: 0x42, Start: 63, Sectors: 14 * 2048}, bootEntry{Type: 0x07, Start: 15 * 2048, Sectors: 2048})
	copy(disk[63*sec:], "something else")
	putToy(disk, 2*mib, 3*mib)
	putToy(disk, 5*mib, 2*mib)
	putToy(disk, 15*mib, mib)
	l := mustFind(t, reader(t, disk, sec))
	want := []brief{
		{2 * mib, 3 * mib, "toy", "boot sector at offset 2097152 (no table)"},
		{5 * mib, 2 * mib, "toy", "boot sector at offset 5242880 (no table)"},
		{15 * mib, mib, "toy", "MBR partition 2"},
	}
	if d := cmp.Diff(want, briefs(l)); d != "" {
		t.Errorf("notes %q, volumes (-want +got):\n%s", l.Notes, d)
	}
}

// A drive full of what looks like boot sectors costs bounded time and memory,
// and says that it was not all looked at.
func TestManyCandidates(t *testing.T) {
	disk := make([]byte, 16*mib)
	for at := int64(sec); at < int64(len(disk)); at += sec {
		putToyBoot(disk, at, at, 4*mib)
		disk[at+42] = 1 // refused when opened
	}
	l := mustFind(t, reader(t, disk, sec, unread{0, sec}))
	if len(l.Volumes) != 1 || len(l.Missing) == 0 {
		t.Errorf("%v, missing %q", briefs(l), l.Missing)
	}
}

// named is a volume of a family.
type named struct {
	extract.Filesystem
	filesystem string
}

func (n named) Info() extract.Info { return extract.Info{Filesystem: n.filesystem} }

// What is left of a volume is gone by only where nothing else opens.
func TestRemains(t *testing.T) {
	opens := func(name string) openFunc {
		return func(context.Context, *image.Reader, int64, int64, extract.Options) (extract.Filesystem, error) {
			return named{filesystem: name}, nil
		}
	}
	shut := func(_ context.Context, _ *image.Reader, start, _ int64, _ extract.Options) (extract.Filesystem, error) {
		return nil, &extract.NotVolumeError{Filesystem: "old", Start: start, Why: "it is unread"}
	}
	silent := func([]byte, int64) []extract.Candidate { return nil }
	left := Kind{Name: "left", Filesystems: []string{"old"}, Sniff: silent, Open: shut, Remains: opens("old")}
	backup := Kind{Name: "backup", Filesystems: []string{"new"}, Sniff: silent, Open: opens("new")}
	part, bare := make([]byte, 4096*sec), make([]byte, 4096*sec)
	putMBR(part, 0, bootEntry{Type: 0x83, Start: 64, Sectors: 1024})
	inPart, inBare := unread{64 * sec, 16 * sec}, unread{0, 16 * sec}
	for _, c := range []struct {
		name  string
		disk  []byte
		hole  unread
		kinds []Kind
		want  string
	}{
		{"a partition, and nothing else opens", part, inPart, []Kind{left}, "old"},
		{"a bare drive, and nothing else opens", bare, inBare, []Kind{left}, "old"},
		{"a partition that another family opens", part, inPart, []Kind{left, backup}, "new"},
		{"a bare drive that another family opens", bare, inBare, []Kind{left, backup}, "new"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := reader(t, c.disk, sec, c.hole)
			l, err := newPlaces(r, extract.Options{}, c.kinds).find(t.Context())
			if err != nil || len(l.Volumes) != 1 || l.Volumes[0].Filesystem != c.want || l.Volumes[0].Reason != "" {
				t.Fatalf("%v, %+v; want %s", err, l, c.want)
			}
			if fs, err := open(t.Context(), r, &l.Volumes[0], extract.Options{}, c.kinds); err != nil || fs.Info().Filesystem != c.want {
				t.Errorf("opens as %v, %v", fs, err)
			}
		})
	}
}

// A volume without a table whose first inodes were read as zeros, or whose group
// descriptors or superblock were, is found and listed as with that unread.
func TestFirstInodesZeroed(t *testing.T) {
	whole := fixture.Unpack(t, "../ext/testdata/ext4-1k.img.zst")
	const at, block = 1 << 20, 1024
	table := int64(binary.LittleEndian.Uint32(whole[2*block+8:])) * block
	for _, c := range []struct {
		name         string
		start, bytes int64
	}{
		{"first blocks of inodes", table, 4 * block}, // inodes 1 to 16
		{"group descriptors", 2 * block, block},
		{"superblock", 1024, 1024},
	} {
		img := make([]byte, at+len(whole))
		copy(img[at:], whole)
		clear(img[at+c.start : at+c.start+c.bytes])
		r := image.New(bytes.NewReader(img), int64(len(img)), imap.All(int64(len(img))), image.Options{})
		l, err := Find(t.Context(), r, extract.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(l.Volumes) != 1 || l.Volumes[0].Start != at || l.Volumes[0].Reason != "" {
			t.Errorf("%s: %+v", c.name, l.Volumes)
			continue
		}
		fs, err := Open(t.Context(), r, &l.Volumes[0], extract.Options{})
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		if _, err := fs.Walk(t.Context(), func(*extract.File) error { n++; return nil }); err != nil || n < 170 {
			t.Errorf("%s: %d entries, %v", c.name, n, err)
		}
	}
}

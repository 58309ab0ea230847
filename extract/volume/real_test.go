package volume

import (
	"bytes"
	"compress/gzip"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// realSize is the size of both drives of testdata.
const realSize = 182272 * sec

// realSectors are the pieces of a drive in testdata by their first sector.
func realSectors(t testing.TB, name string) map[int64][]byte {
	t.Helper()
	paths, err := filepath.Glob("testdata/" + name + "-*.bin*")
	if err != nil || len(paths) == 0 {
		t.Fatalf("no sectors of %s: %v", name, err)
	}
	out := map[int64][]byte{}
	for _, p := range paths {
		b, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasSuffix(p, ".gz") {
			z, err := gzip.NewReader(bytes.NewReader(b))
			if err != nil {
				t.Fatal(err)
			}
			if b, err = io.ReadAll(z); err != nil {
				t.Fatal(err)
			}
		}
		number, _, _ := strings.Cut(strings.TrimPrefix(filepath.Base(p), name+"-"), ".")
		at, err := strconv.ParseInt(number, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		out[at] = b
	}
	return out
}

func realDisk(t testing.TB, name string) []byte {
	t.Helper()
	disk := make([]byte, realSize)
	for at, b := range realSectors(t, name) {
		copy(disk[at*sec:], b)
	}
	return disk
}

// entry is what tests compare of a partition.
type entry struct {
	Number        int
	First, Length int64 // sectors
	Type, Name    string
	Logical       bool
}

func entries(l *Layout) []entry {
	var out []entry
	for _, p := range l.Partitions {
		out = append(out, entry{p.Number, p.Start / l.SectorSize, p.Length / l.SectorSize, p.Type, p.Name, p.Logical})
	}
	return out
}

func TestRealTables(t *testing.T) {
	mbrWant := []entry{
		{1, 2048, 45056, "NTFS or exFAT", "", false},
		{2, 47104, 69632, "FAT32 (LBA)", "", false},
		{3, 116736, 61440, "extended (LBA)", "", false},
		{5, 118784, 32768, "Linux", "", true},
		{6, 153600, 24576, "NTFS or exFAT", "", true},
	}
	gptWant := []entry{
		{1, 2048, 32768, "Microsoft basic data", "BOOT", false},
		{2, 40960, 49152, "Microsoft basic data", "Räume", false},
		{3, 90112, 49152, "Linux filesystem", "linux", false},
		{4, 145408, 32768, "Microsoft basic data", "transfer", false},
	}
	for _, tt := range []struct {
		name, scheme string
		holes        []unread
		want         []entry
	}{
		{"herbarium-mbr", SchemeMBR, nil, mbrWant},
		{"herbarium-mbr", SchemeMBR, []unread{{151552 * sec, sec}}, mbrWant[:4]},
		{"herbarium-gpt", SchemeGPT, nil, gptWant},
		{"herbarium-gpt", SchemeGPT, []unread{{0, 34 * sec}}, gptWant},
		{"herbarium-gpt", SchemeGPT, []unread{{realSize - 33*sec, 33 * sec}}, gptWant},
	} {
		disk := realDisk(t, tt.name)
		for _, p := range tt.want {
			if !strings.HasPrefix(p.Type, "extended") {
				putToy(disk, p.First*sec, p.Length*sec)
			}
		}
		l := mustFind(t, reader(t, disk, sec, tt.holes...))
		if d := cmp.Diff(tt.want, entries(l)); d != "" || l.Scheme != tt.scheme {
			t.Errorf("%s, unread %v: scheme %q, partitions (-want +got):\n%s", tt.name, tt.holes, l.Scheme, d)
		}
		for _, v := range l.Volumes {
			if v.Filesystem != "toy" || v.Reason != "" {
				t.Errorf("%s, unread %v: %s is %s: %s", tt.name, tt.holes, v.Found, v.Filesystem, v.Reason)
			}
			if v.Partition != nil && (v.Partition.Start != v.Start || v.Partition.Length != v.Length) {
				t.Errorf("%s points to the wrong partition", v.Found)
			}
		}
	}
}

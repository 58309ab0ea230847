package report

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/verify"
	"fileassay/verify/result"
)

var update = flag.Bool("update", false, "rewrite golden files")

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("%s (-want +got):\n%s", name, d)
	}
}

// outcome is a run with one good and one damaged volume, names invented.
func outcome() *verify.Outcome {
	return &verify.Outcome{
		Image: result.Image{Path: "kiln\u202egpj.img", Size: 1 << 30, DriveSize: 1<<30 + 4096, Sector: 512, Table: "mbr",
			Map:   result.Map{Path: "kiln.csv", ByteStates: result.ByteStates{Read: 1<<30 - 1024, Doubtful: 512, Failed: 512, Skipped: 4096}},
			Notes: []string{"sector 0 was not read"}, Broken: [][2]int64{{8192, 512}}, Retried: 1},
		Volumes: []result.Volume{
			{Volume: 1, Start: 1 << 20, Length: 1 << 29, Filesystem: "ntfs", Label: "GLAZES\x1b[2J", Found: "MBR partition 1",
				Sums: result.Sums{Files: result.VerdictCount{Intact: 1200, Damaged: 1, Lost: 1}, Folders: result.VerdictCount{Intact: 30, Lost: 1},
					Sizes: result.VerdictCount{Intact: 900_000, Damaged: 100_512, Lost: 100},
					Bytes: result.Bytes{Read: 1_000_000, Failed: 512, Unlocated: 100}},
				Listing: result.Listing{Why: []string{"1 record of the file table was not read"}}},
			{Volume: 2, Start: 1 << 29, Length: 1 << 28, Filesystem: "fat32", Found: "MBR partition 2",
				Sums: result.Sums{Files: result.VerdictCount{Intact: 3}, Bytes: result.Bytes{Read: 77}}, Listing: result.Listing{Complete: true}},
		},
		Summary: result.Summary{Sums: result.Sums{Files: result.VerdictCount{Intact: 1203, Damaged: 1, Lost: 1}, Sizes: result.VerdictCount{Intact: 900_077, Damaged: 100_512, Lost: 100},
			Bytes: result.Bytes{Read: 1_000_077, Failed: 512, Unlocated: 100}},
			Unread: result.Places{Files: result.Unread{Failed: 512}, Structures: result.Unread{Doubtful: 512},
				Free: result.Unread{Skipped: 4096}}},
	}
}

func TestSummary(t *testing.T) {
	for _, c := range []struct {
		name  string
		style Style
		edit  func(*verify.Outcome)
	}{
		{"damaged.txt", Style{}, func(*verify.Outcome) {}},
		{"damaged-bold.txt", Style{Color: true}, func(*verify.Outcome) {}},
		{"clean.txt", Style{}, func(o *verify.Outcome) {
			o.Volumes = o.Volumes[1:]
			o.Image.Notes, o.Image.Broken, o.Image.Retried = nil, nil, 0
			o.Image.Map = result.Map{Path: "kiln.csv", ByteStates: result.ByteStates{Read: 1 << 30}}
			o.Image.DriveSize = o.Image.Size
			o.Summary = result.Summary{Sums: result.Sums{Files: result.VerdictCount{Intact: 3}, Bytes: result.Bytes{Read: 77}}, ListingComplete: true}
		}},
		{"novolume.txt", Style{}, func(o *verify.Outcome) {
			o.Volumes, o.Image.Map = nil, result.Map{AssumedRead: true, TrustDoubtful: true, ByteStates: result.ByteStates{Read: 1 << 30}}
			o.Summary = result.Summary{}
		}},
	} {
		o := outcome()
		c.edit(o)
		var b strings.Builder
		if err := Summary(&b, o, c.style); err != nil {
			t.Fatal(err)
		}
		golden(t, c.name, b.String())
		if !c.style.Color && strings.ContainsAny(b.String(), "\x1b\u202e") {
			t.Errorf("%s: a name from the image reaches the terminal as it is", c.name)
		}
	}
}

// With a fault of the image file nothing is called complete, and the places are
// told, but not without end; whether content was read again is said either way.
func TestSummaryOfFaults(t *testing.T) {
	o := outcome()
	o.Volumes, o.Image.Retried, o.Image.Broken = o.Volumes[1:], 0, nil
	o.Image.Map = result.Map{Path: "kiln.csv", ByteStates: result.ByteStates{Read: 1 << 30}}
	o.Summary = result.Summary{Sums: result.Sums{Files: result.VerdictCount{Intact: 3}, Bytes: result.Bytes{Read: 77}}, ListingComplete: true}
	words := func() string {
		var b strings.Builder
		if err := Summary(&b, o, Style{}); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	if got := words(); !strings.Contains(got, "Recovery is complete") || !strings.HasSuffix(got, "\nContent was not read again: --content=read would.\n") {
		t.Error(got)
	}
	o.Image.Content = verify.ContentRead
	if got := words(); strings.Contains(got, "not read again") || !strings.HasSuffix(got, "\nEvery byte of content was read again (--content=read).\n") {
		t.Error(got)
	}
	for i := range int64(100) {
		o.Image.Broken = append(o.Image.Broken, [2]int64{1<<20 + i*1024, 512})
	}
	o.Summary.ListingComplete, o.Volumes[0].Listing.Complete = false, false
	got := words()
	if strings.Contains(strings.ReplaceAll(got, "not complete", ""), "complete") || !strings.Contains(got, "the image file itself gives errors") ||
		!strings.Contains(got, "512 B at offset 1048576 (sector 2048)") || !strings.Contains(got, "and in 88 more places") || !strings.Contains(got, "copy the image anew") {
		t.Error(got)
	}
}

func TestLayout(t *testing.T) {
	at := int64(1 << 20)
	l := &verify.LayoutRecord{Image: outcome().Image,
		Structures: []result.Structure{{Name: "master boot record", Start: new(int64), Length: 512, Unread: 512, Health: "unread"}},
		Partitions: []verify.PartitionRecord{{Number: 1, Start: 1 << 20, Length: 1 << 29, Type: "NTFS", Name: "glazes"}},
		Volumes: []verify.VolumeLayout{
			{Volume: 1, Start: 1 << 20, Length: 1 << 29, Filesystem: "ntfs", Label: "GLAZES", Cluster: 4096, Found: "MBR partition 1",
				Notes: []string{"boot sector unread; its copy is used"},
				Structures: []result.Structure{
					{Name: "file table", Start: &at, Length: 8192, Unread: 512, Health: "partly read", Note: "8 records"},
					{Name: "cluster bitmap", Length: 0, Health: "unread", Note: "its place is unread"}}},
			{Volume: 2, Start: 1 << 29, Length: 1 << 28, Filesystem: "luks", Found: "MBR partition 2", Reason: "encrypted"},
		}}
	var b strings.Builder
	if err := Layout(&b, l, Style{}); err != nil {
		t.Fatal(err)
	}
	golden(t, "layout.txt", b.String())
}

// failing is a writer that is full after n bytes.
type failing struct{ n int }

func (f *failing) Write(p []byte) (int, error) {
	if f.n -= len(p); f.n < 0 {
		return 0, errors.New("no space")
	}
	return len(p), nil
}

func TestWriteErrors(t *testing.T) {
	for _, n := range []int{0, 100, 700} {
		if err := Summary(&failing{n}, outcome(), Style{}); err == nil {
			t.Errorf("a writer full after %d bytes is no error", n)
		}
	}
}

func TestShare(t *testing.T) {
	for _, c := range []struct {
		n, total int64
		want     string
	}{
		{0, 0, "0 %"}, {0, 10, "0 %"}, {10, 10, "100 %"}, {1, 3, "33.33 %"},
		{1, 1 << 40, "under 0.01 %"}, {1<<40 - 1, 1 << 40, "over 99.99 %"}, // never rounded to nothing or to all
	} {
		if got := share(c.n, c.total); got != c.want {
			t.Errorf("share(%d, %d) = %q, want %q", c.n, c.total, got, c.want)
		}
	}
}

func TestAdvice(t *testing.T) {
	o := outcome()
	o.Summary.ListingComplete = true
	o.Summary.Unread = result.Places{Free: result.Unread{Failed: 4096}}
	if got := advice(o); !strings.HasPrefix(got, "A further pass over the drive wins nothing") {
		t.Errorf("with only free space unread: %q", got)
	}
	o.Summary.ListingComplete = false
	if got := advice(o); !strings.Contains(got, "files may be missing") || strings.Contains(got, "Up to") {
		t.Errorf("with a short list and nothing to win: %q", got)
	}
}

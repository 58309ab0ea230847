package report

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"fileassay/verify/result"
	"fileassay/verify/wanted"
)

func num(n int64) *int64 { return &n }

// file makes a record; damaged bytes are counted as failed, from the ranges.
func file(path string, size int64, damage ...result.Damage) *result.File {
	f := &result.File{Volume: 1, Path: path, Kind: "file", Size: num(size), Verdict: result.Intact, Damage: damage,
		Extents: [][3]int64{}, Why: []string{}, Modified: "2019-04-02T09:12:44Z"}
	if damage == nil {
		f.Damage = []result.Damage{}
	}
	count := map[string]int64{}
	bad := int64(0)
	for _, d := range damage {
		count[d.What] += d.Length
		bad += d.Length
	}
	f.Bytes = result.NullBytes{Read: num(size - bad), Doubtful: num(count["doubtful"]), Failed: num(count["failed"]), Skipped: num(count["skipped"]), Unlocated: num(count["unlocated"])}
	switch {
	case bad > 0 && bad == size:
		f.Verdict = result.Lost
	case bad > 0:
		f.Verdict = result.Damaged
	}
	return f
}

// hostile are names that a page, a table or a terminal must take the teeth out
// of.
var hostile = []string{
	"<script>alert(1)</script>.txt",
	`"><img src=x onerror=alert(1)>.jpg`,
	"</script><script>document.title='x'</script>",
	"photo\u202egpj.exe",
	"two\r\nlines\u2028and\u2029more.txt",
	"nul\x00bell\x07esc\x1b[31m.txt",
	"=cmd|'/c calc'!A1.csv",
	"@SUM(1+1).csv",
	"-1+1.csv",
	"\uff1dwide.csv",
	"_x0041_.txt",
	"İstanbul ẞ.txt",
	"\u2066isolate\u2069 \ufeff \U000e0041.txt",
	"a, \"b\"; c.csv",
	"\ufffe.txt",
}

// bellows is a small result: two volumes, every verdict, hostile names.
func bellows() (result.Image, []result.Volume, []*result.File, result.Summary) {
	im := result.Image{Type: "image", Path: "bellows.img", Size: 1 << 20, DriveSize: 1 << 20, Sector: 512, Table: "mbr", Format: 1,
		Map:     result.Map{Path: "bellows.csv", SHA256: "00", Read: 1<<20 - 4096, Doubtful: 512, Failed: 1024, Skipped: 2560},
		Notes:   []string{"sector 0 was not read"},
		Profile: &result.Profile{Slice: 512, Slices: [][5]int64{{16, 0, 512, 0, 0}, {17, 0, 0, 512, 0}, {100, 0, 0, 512, 0}, {200, 0, 0, 0, 512}, {201, 0, 0, 0, 512}, {202, 0, 0, 0, 512}, {203, 0, 0, 0, 512}, {204, 0, 0, 0, 512}}},
		Heads: &result.Heads{Path: "heads.csv", SHA256: "00", Heads: []result.Head{
			{Head: 0, ByteStates: result.ByteStates{Read: 1<<19 - 1024, Failed: 1024}, Profile: &result.Profile{Slice: 1 << 18, Slices: [][5]int64{{0, 1<<18 - 1024, 0, 1024, 0}, {1, 1 << 18, 0, 0, 0}}}},
			{Head: 1, ByteStates: result.ByteStates{Read: 1<<19 - 3072, Doubtful: 512, Skipped: 2560}, Profile: &result.Profile{Slice: 1 << 18, Slices: [][5]int64{{2, 1<<18 - 3072, 512, 0, 2560}, {3, 1 << 18, 0, 0, 0}}}}}},
	}
	place := int64(8192)
	vols := []result.Volume{
		{Type: "volume", Volume: 1, Start: 4096, Length: 1 << 19, Filesystem: "ntfs", Label: "ORGAN \u202eloft", Cluster: 4096, Found: "MBR partition 1",
			Listing:    result.Listing{UnreadRecords: 2, UnnamedFiles: 1, UnclaimedBytes: 4096, Why: []string{"2 records of the file table were not read"}},
			Structures: []result.Structure{{Name: "boot sector", Start: &place, Length: 512, Health: "read"}, {Name: "file table", Length: 4096, Unread: 512, Health: "partly read", Note: "4 records"}}},
		{Type: "volume", Volume: 2, Start: 1<<19 + 4096, Length: 1 << 18, Filesystem: "fat32", Found: "MBR partition 2", Listing: result.Listing{Complete: true, Why: []string{}}},
	}
	files := []*result.File{
		{Volume: 1, ID: 7, Path: "Pipes", Kind: "folder", Size: num(0), Verdict: result.Intact, Damage: []result.Damage{}},
		{Volume: 1, ID: 8, Path: "Pipes/Reeds", Kind: "folder", Size: num(0), Verdict: result.Damaged, Damage: []result.Damage{}, Why: []string{"its own list was not read"}},
		file("Pipes/Reeds/voicing.pdf", 5000),
		file("Pipes/Reeds/trumpet.jpg", 4096, result.Damage{Offset: 0, Image: 8192, Length: 512, What: "doubtful"}, result.Damage{Offset: 512, Image: 8704, Length: 512, What: "failed"}),
		file("Pipes/tuning.db", 512, result.Damage{Image: 51200, Length: 512, What: "failed"}),
		file("Pipes/gallery.mp4", 64<<20, result.Damage{Offset: 32 << 20, Image: 102400, Length: 2560, What: "skipped"}),
		{Volume: 1, ID: 99, Path: "?/99", Unnamed: true, Kind: "file", Verdict: result.Lost, Damage: []result.Damage{}, Why: []string{"record 99 is unread"}, Needs: [][2]int64{{9216, 1024}}},
		file("empty.txt", 0),
		{Volume: 1, ID: 12, Path: "Pipes/link", Kind: "link", Size: num(0), Verdict: result.Intact, Target: "..\\x", Damage: []result.Damage{},
			Bytes: result.NullBytes{Read: num(0), Doubtful: num(0), Failed: num(0), Skipped: num(0), Unlocated: num(0)}},
	}
	for _, name := range hostile {
		files = append(files, file("Names/"+name, 100))
	}
	two := file("Names/second.txt", 77)
	two.Volume, two.Modified = 2, "2021-01-31T23:59:59"
	files = append(files, two)
	sum := result.Summary{Type: "summary"}
	for _, f := range files {
		if f.Kind == "folder" {
			continue
		}
		n := int64(0)
		if f.Size != nil {
			n = *f.Size
		}
		var t totals
		t.add(f.Verdict, n)
		sum.Files.Add(t.files)
		sum.Sizes.Add(t.sizes)
		v := &vols[f.Volume-1]
		v.Files.Add(t.files)
		v.Sizes.Add(t.sizes)
	}
	sum.Unread = result.Places{Files: result.Unread{Doubtful: 512, Failed: 1024, Skipped: 2560}}
	sum.Heads = []result.HeadFiles{{Head: 0, Files: 2, Alone: 1}, {Head: 1, Files: 2}}
	return im, vols, files, sum
}

// writeResult writes a result and opens it.
func writeResult(t testing.TB, im result.Image, vols []result.Volume, files []*result.File, sum result.Summary) *result.Result {
	t.Helper()
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	records := []any{im}
	for _, v := range vols {
		records = append(records, v)
	}
	for _, f := range files {
		records = append(records, f)
	}
	for _, r := range append(records, sum) {
		if err := enc.Encode(r); err != nil {
			t.Fatal(err)
		}
	}
	path := filepath.Join(t.TempDir(), "made.result.jsonl")
	if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	r, err := result.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

func bellowsResult(t testing.TB) *result.Result {
	t.Helper()
	im, vols, files, sum := bellows()
	return writeResult(t, im, vols, files, sum)
}

func inventory(t testing.TB, r *result.Result, bench bool) *Inventory {
	t.Helper()
	inv, err := NewInventory(r, wanted.Default(), bench)
	if err != nil {
		t.Fatal(err)
	}
	return inv
}

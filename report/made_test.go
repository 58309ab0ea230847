package report

import (
	"slices"
	"testing"

	"fileassay/extract/imap"
	"fileassay/verify/result"
	"fileassay/verify/result/resulttest"
	"fileassay/verify/wanted"
)

func num(n int64) *int64 { return &n }

// file makes a record; what is damaged is counted from the ranges.
func file(path string, size int64, damage ...result.Damage) *result.File {
	f := &result.File{Path: path, Size: num(size), Damage: damage, Why: []string{}, Modified: "2019-04-02T09:12:44Z"}
	if damage == nil {
		f.Damage = []result.Damage{}
	}
	(&resulttest.Made{Files: []*result.File{f}}).Fill()
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
func bellows() *resulttest.Made {
	place := int64(4096)
	m := &resulttest.Made{
		Image: result.Image{Path: "bellows.img", Size: 1 << 20, Table: "mbr",
			Map:     result.Map{Path: "bellows.csv", SHA256: "00"},
			Notes:   []string{"sector 0 was not read"},
			Profile: &result.Profile{Slice: 512, Slices: [][5]int64{{16, 0, 512, 0, 0}, {17, 0, 0, 512, 0}, {18, 0, 0, 512, 0}, {19, 0, 0, 512, 0}, {100, 0, 0, 512, 0}, {200, 0, 0, 0, 512}, {201, 0, 0, 0, 512}, {202, 0, 0, 0, 512}, {203, 0, 0, 0, 512}, {204, 0, 0, 0, 512}}},
			Heads: &result.Heads{Path: "heads.csv", SHA256: "00", Heads: []result.Head{
				{Head: 0, ByteStates: result.ByteStates{Read: 1<<19 - 2048, Failed: 2048}, Profile: &result.Profile{Slice: 1 << 18, Slices: [][5]int64{{0, 1<<18 - 2048, 0, 2048, 0}, {1, 1 << 18, 0, 0, 0}}}},
				{Head: 1, ByteStates: result.ByteStates{Read: 1<<19 - 3072, Doubtful: 512, Skipped: 2560}, Profile: &result.Profile{Slice: 1 << 18, Slices: [][5]int64{{2, 1<<18 - 3072, 512, 0, 2560}, {3, 1 << 18, 0, 0, 0}}}}}},
		},
		Volumes: []result.Volume{
			{Start: 4096, Length: 1 << 19, Filesystem: "ntfs", Label: "ORGAN \u202eloft", Cluster: 4096, Found: "MBR partition 1",
				Listing:    result.Listing{UnreadRecords: 2, UnnamedFiles: 1, UnclaimedBytes: 4096, Why: []string{"2 records of the file table were not read"}},
				Structures: []result.Structure{{Name: "boot sector", Start: &place, Length: 512, Health: "read"}, {Name: "file table", Length: 4096, Unread: 512, Health: "partly read", Note: "4 records"}}},
			{Start: 1<<19 + 4096, Length: 1 << 18, Filesystem: "fat32", Found: "MBR partition 2", Listing: result.Listing{Complete: true}},
		},
		Places: slices.Concat(resulttest.Unread(imap.Doubtful, "files", [2]int64{8192, 512}), resulttest.Unread(imap.Failed, "files", [2]int64{8704, 512}),
			resulttest.Unread(imap.Failed, "structures", [2]int64{9216, 1024}), resulttest.Unread(imap.Failed, "files", [2]int64{51200, 512}),
			resulttest.Unread(imap.Skipped, "files", [2]int64{102400, 2560})),
		Files: []*result.File{
			{ID: 7, Path: "Pipes", Kind: "folder", Size: num(0)},
			{ID: 8, Path: "Pipes/Reeds", Kind: "folder", Size: num(0), Verdict: result.Damaged, Why: []string{"its own list was not read"}},
			file("Pipes/Reeds/voicing.pdf", 5000),
			file("Pipes/Reeds/trumpet.jpg", 4096, result.Damage{Offset: 0, Image: 8192, Length: 512, What: "doubtful"}, result.Damage{Offset: 512, Image: 8704, Length: 512, What: "failed"}),
			file("Pipes/tuning.db", 512, result.Damage{Image: 51200, Length: 512, What: "failed"}),
			file("Pipes/gallery.mp4", 64<<20, result.Damage{Offset: 32 << 20, Image: 102400, Length: 2560, What: "skipped"}),
			{ID: 99, Path: "?/99", Unnamed: true, Why: []string{"record 99 is unread"}, Needs: [][2]int64{{9216, 1024}}},
			file("empty.txt", 0),
			{ID: 12, Path: "Pipes/link", Kind: "link", Size: num(0), Target: "..\\x"},
		},
		Summary: result.Summary{Heads: []result.HeadFiles{{Head: 0, Alone: 1}, {Head: 1}}},
	}
	m.Files[3].Heads, m.Files[4].Heads, m.Files[5].Heads = []int{0, 1}, []int{0}, []int{1}
	for _, name := range hostile {
		m.Files = append(m.Files, file("Names/"+name, 100))
	}
	two := file("Names/second.txt", 77)
	two.Volume, two.Modified = 2, "2021-01-31T23:59:59"
	two.Extents = [][3]int64{{0, 1<<19 + 8192, 77}}
	m.Files = append(m.Files, two)
	return m
}

// bellowsOf is its first volume alone, with other files.
func bellowsOf(files ...*result.File) *resulttest.Made {
	m := bellows()
	m.Volumes, m.Files, m.Summary = m.Volumes[:1], files, result.Summary{}
	return m
}

func bellowsResult(t testing.TB) *result.Result {
	t.Helper()
	return bellows().Open(t)
}

func inventory(t testing.TB, r *result.Result, bench bool) *Inventory {
	t.Helper()
	inv, err := NewInventory(r, wanted.Default(), bench)
	if err != nil {
		t.Fatal(err)
	}
	return inv
}

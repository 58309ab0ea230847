package reread_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract/imap"
	"fileassay/verify/reread"
	"fileassay/verify/result"
	"fileassay/verify/result/resulttest"
	"fileassay/verify/wanted"
)

// depot is a drive of one volume, a mebibyte long, with files and unread places.
func depot(places []result.Place, files ...*result.File) *resulttest.Made {
	return &resulttest.Made{Image: result.Image{Path: "depot.img", Size: 1 << 20}, Places: places, Files: files}
}

// failed is [resulttest.Unread] of what failed.
func failed(holds string, ranges ...[2]int64) []result.Place {
	return resulttest.Unread(imap.Failed, holds, ranges...)
}

// most are the places of a drive of whose files next to nothing was read.
func most() []result.Place {
	return append(failed("files", [2]int64{4096, 65536}), failed("free", [2]int64{131072, 5120})...)
}

// line is a file with extents.
func line(id uint64, path string, size int64, extents ...[3]int64) *result.File {
	return &result.File{ID: id, Path: path, Size: &size, Extents: extents}
}

// packed is a compressed file; units are told where there are any.
func packed(f *result.File, units ...int64) *result.File {
	f.Stored = "compressed"
	if len(units) > 0 {
		f.Packing = result.Packing{Method: "lznt1", Unit: 65536, Units: [][]int64{append([]int64{0}, units...)}}
	}
	return f
}

type x = [3]int64

func ranges(p *reread.Plan) (out [][2]int64) {
	for _, r := range p.Ranges {
		out = append(out, [2]int64{r.Start, r.Length})
	}
	return out
}

func list(t *testing.T, text string) *wanted.List {
	t.Helper()
	l, err := wanted.Parse("t", strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func TestPlanOfFiles(t *testing.T) {
	film := func(last int64) *result.File {
		return line(1, "a.mp4", 131072, x{0, 4096, 512}, x{512, 8192, 512}, x{65536, 12288, last})
	}
	other := line(2, "b.mp4", 1024, x{0, 20480, 512}, x{512, 28672, 512})
	for _, c := range []struct {
		name  string
		list  string
		o     reread.Options
		files []*result.File
		want  [][2]int64
		whole int64
	}{
		{"weight 0 is never read for", "0 *.exe\n1 **", reread.Options{},
			[]*result.File{line(1, "a.exe", 512, x{0, 4096, 512}), line(2, "b.txt", 512, x{0, 8192, 512})}, [][2]int64{{8192, 512}}, 1},
		{"more weight for the same cost comes first", "1 a\n9 b\n", reread.Options{Costs: reread.Costs{Seek: 1, Failed: time.Second}},
			[]*result.File{line(1, "a", 512, x{0, 4096, 512}), line(2, "b", 512, x{0, 61440, 512})}, [][2]int64{{61440, 512}, {4096, 512}}, 2},
		{"shared sectors count once", "5 a\n4 b\n8 c", reread.Options{BudgetSectors: 2},
			[]*result.File{line(1, "a", 1024, x{0, 4096, 1024}), line(2, "b", 512, x{0, 4608, 512}), line(3, "c", 1024, x{0, 9216, 1024})},
			[][2]int64{{4608, 512}, {4096, 512}}, 2},
		{"a compressed file needs all its sectors", "1 **", reread.Options{},
			[]*result.File{packed(line(1, "a", 65536, x{0, 4096, 512}, x{512, 8192, 512}))}, [][2]int64{{4096, 512}, {8192, 512}}, 1},
		{"of a compressed film a sector alone gains nothing", "9 a.mp4\n1 b.mp4", reread.Options{BudgetSectors: 1},
			[]*result.File{packed(film(1536), 1024, 1536), other}, [][2]int64{{20480, 512}}, 0},
		{"a unit of it does", "9 a.mp4\n1 b.mp4", reread.Options{BudgetSectors: 3},
			[]*result.File{packed(film(2048), 1024, 2048), other}, [][2]int64{{4096, 512}, {8192, 512}, {20480, 512}}, 0},
		{"units in one extent", "9 a.mp4", reread.Options{BudgetSectors: 100},
			[]*result.File{packed(line(1, "a.mp4", 262144, x{63488, 4096, 65536}), 2048, 63488)}, [][2]int64{{4096, 2048}}, 0},
		{"where units are not told only the whole film is", "9 a.mp4\n1 b.mp4", reread.Options{BudgetSectors: 3},
			[]*result.File{packed(film(2048)), other}, [][2]int64{{20480, 512}, {28672, 512}}, 1},
		{"a film counts for its share", "1 **", reread.Options{BudgetSectors: 1},
			[]*result.File{line(1, "a.zip", 1024, x{0, 4096, 512}, x{512, 12288, 512}), other}, [][2]int64{{20480, 512}}, 0},
		{"what was read, and what lies in no sector of the drive, is not named", "1 **", reread.Options{},
			[]*result.File{line(1, "a", 1<<30, x{0, 0, 4608}, x{4608, 1 << 20, 512})}, [][2]int64{{4096, 512}}, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.o.Wanted = list(t, c.list)
			p := plan(t, depot(most(), c.files...).Open(t), c.o)
			if d := cmp.Diff(c.want, ranges(p)); d != "" {
				t.Errorf("ranges (-want +got):\n%s", d)
			}
			if p.Whole != c.whole {
				t.Errorf("%d files whole, want %d", p.Whole, c.whole)
			}
			if p.Caution != reread.Caution {
				t.Error("the plan does not begin with the caution")
			}
		})
	}
}

// What leads to much is read first, and free space is never read; its time is
// told.
func TestStructuresAndFree(t *testing.T) {
	m := depot(slices.Concat(failed("structures", [2]int64{4096, 512}), failed("files", [2]int64{8192, 512}),
		failed("structures", [2]int64{65536, 512}), failed("free", [2]int64{131072, 5120})))
	m.Volumes = []result.Volume{{Length: 1 << 20, Filesystem: "ext4", Listing: result.Listing{UnreadRecords: 40}, Needs: [][2]int64{{65536, 512}}}}
	for k := range uint64(20) {
		m.Files = append(m.Files, &result.File{ID: k + 1, Path: fmt.Sprintf("deeds/%d.odt", k), Needs: [][2]int64{{4096, 512}}})
	}
	m.Files = append(m.Files, line(99, "one.odt", 512, x{0, 8192, 512}))
	p := plan(t, m.Open(t), reread.Options{})
	if d := cmp.Diff([][2]int64{{65536, 512}, {4096, 512}, {8192, 512}}, ranges(p)); d != "" {
		t.Errorf("ranges (-want +got):\n%s", d)
	}
	if p.Whole != 1 || p.Weight != 10 {
		t.Errorf("%d files whole of weight %v; want 1 of 10", p.Whole, p.Weight)
	}
	for _, h := range p.Holds {
		switch h.Holds {
		case "free space":
			if h.Worth || h.Sectors != 10 || h.Took != 10*time.Second {
				t.Errorf("free space: %+v; want 10 sectors in 10 s that are worth nothing", h)
			}
		case "structures that files wait for":
			if h.Gates != 60 || h.Known {
				t.Errorf("structures: %+v; want an estimate of 60", h)
			}
		}
	}
}

// Partition tables are worth as much as there is room for further volumes: of a
// drive that a known volume fills they come last.
func TestPartitionTables(t *testing.T) {
	for _, c := range []struct {
		drive int64
		want  [][2]int64
	}{
		{1 << 20, [][2]int64{{786432, 512}, {0, 512}}},
		{4 << 20, [][2]int64{{0, 512}, {786432, 512}}},
	} {
		m := depot(slices.Concat(failed("structures", [2]int64{0, 512}), failed("files", [2]int64{786432, 512})), line(1, "one.odt", 512, x{0, 786432, 512}))
		m.Image.Size, m.Image.Needs = c.drive, [][2]int64{{0, 512}}
		m.Volumes = []result.Volume{{Length: 1 << 20, Filesystem: "ext4", Listing: result.Listing{Complete: true}}}
		if d := cmp.Diff(c.want, ranges(plan(t, m.Open(t), reread.Options{}))); d != "" {
			t.Errorf("a drive of %d bytes (-want +got):\n%s", c.drive, d)
		}
	}
}

func TestHeads(t *testing.T) {
	a, b, c := line(1, "a.odt", 1024, x{0, 4096, 512}), line(2, "b.odt", 1024, x{0, 8192, 1024}), line(3, "c.odt", 512, x{0, 12288, 512})
	a.Heads, b.Heads, c.Heads, c.Needs = []int{1}, []int{0, 1}, []int{1}, [][2]int64{{4096, 512}}
	m := depot(most(), a, b, c)
	m.Image.Heads = &result.Heads{Path: "h.csv", Heads: []result.Head{{Head: 0}, {Head: 1}, {Head: 2}}, Others: result.ByteStates{Read: 1<<20 - 70656, Failed: 70656}}
	p := plan(t, m.Open(t), reread.Options{})
	want := []reread.HeadValue{
		{Head: 0, Files: 1, Weight: 10, Alone: reread.HeadSet{Heads: []int{0}}},
		{Head: 1, Files: 3, Weight: 30, Alone: reread.HeadSet{Heads: []int{1}, Files: 1, Bytes: 512, Weight: 10}},
		{Head: 2, Alone: reread.HeadSet{Heads: []int{2}}},
	}
	if d := cmp.Diff(want, p.Heads); d != "" {
		t.Errorf("heads (-want +got):\n%s", d)
	}
	if d := cmp.Diff([]reread.HeadSet{{Heads: []int{0, 1}, Files: 1, Bytes: 1024, Weight: 10}}, p.HeadSets); d != "" {
		t.Errorf("sets (-want +got):\n%s", d)
	}
	if p := plan(t, depot(most()).Open(t), reread.Options{}); p.Heads != nil {
		t.Errorf("without a head map: %v", p.Heads)
	}
}

func TestStop(t *testing.T) {
	costs := reread.Costs{Failed: 45 * time.Minute}
	p := plan(t, depot(most(), line(1, "a", 512, x{0, 4096, 512}), line(2, "b", 512, x{0, 8192, 512}),
		line(3, "c", 512, x{0, 12288, 512})).Open(t), reread.Options{Costs: costs, Worth: 5, Wanted: list(t, "9 a\n7 b\n2 c")})
	if p.Stop == nil || p.Stop.Step != 2 || p.Stop.After != 90*time.Minute || p.Stop.Next != 2 {
		t.Errorf("stop %+v; want after 2 steps, 1 h 30, with 2 to win", p.Stop)
	}
}

// Of a drive as large as a result may tell of, with files that claim all of it,
// and one that lies behind it, is planned for in bounded time.
func TestHuge(t *testing.T) {
	const size = 1 << 55
	m := depot(slices.Concat(failed("files", [2]int64{4096, size / 2}), failed("unknown", [2]int64{size/2 + 4096, size/2 - 4096})),
		line(1, "a", size, x{0, 0, size}), line(2, "b", 1<<62, x{1 << 61, size, 1 << 61}), line(3, "c", 1<<62, x{0, 1<<63 - 1<<62 - 1, 1 << 62}))
	m.Image.Size, m.Image.Needs = size, [][2]int64{{0, size}}
	m.Volumes = []result.Volume{{Length: 1<<63 - 1, Filesystem: "ext4", Listing: result.Listing{UnreadRecords: 1 << 56}, Needs: [][2]int64{{0, size}, {size, 0}}}}
	m.Files[0].Needs = [][2]int64{{4096, size / 2}}
	r := m.Open(t)
	for _, o := range []reread.Options{{}, {Budget: time.Second}, {BudgetSectors: 5}, {Forward: true}} {
		p := plan(t, r, o)
		if (len(p.Ranges) == 0) != (o.Budget+time.Duration(o.BudgetSectors) > 0) {
			t.Errorf("%+v: %v", o, p.Ranges)
		}
		for _, g := range p.Ranges {
			if g.Start < 4096 || g.Length <= 0 || g.Start+g.Length > size {
				t.Errorf("%+v: range %+v", o, g)
			}
		}
	}
}

// A file of which nothing says that it will be whole is not promised, and a
// structure that read files wait for counts for them.
func TestBlockedFiles(t *testing.T) {
	doubt := func(f *result.File) *result.File {
		f.Why, f.Verdict = []string{"its journal is unread"}, result.Damaged
		return f
	}
	m := depot(slices.Concat(failed("files", [2]int64{8192, 1024}), failed("structures", [2]int64{65536, 512})),
		doubt(line(1, "a.odt", 512, x{0, 4096, 512})), doubt(line(2, "b.odt", 512, x{0, 4608, 512})),
		doubt(line(3, "c.odt", 512, x{0, 8192, 512})), line(4, "d.odt", 512, x{0, 8704, 512}))
	m.Volumes = []result.Volume{{Length: 1 << 20, Filesystem: "ext4", Needs: [][2]int64{{65536, 512}}}}
	p := plan(t, m.Open(t), reread.Options{})
	if d := cmp.Diff([][2]int64{{65536, 512}, {8704, 512}, {8192, 512}}, ranges(p)); d != "" {
		t.Errorf("ranges (-want +got):\n%s", d)
	}
	if p.Whole != 1 || p.Perhaps != 1 {
		t.Errorf("%d files promised, %d perhaps; want 1 and 1", p.Whole, p.Perhaps)
	}
	if h := p.Holds[0]; h.Holds != "structures that files wait for" || h.Gates != 2 {
		t.Errorf("%+v: want structures that 2 entries wait for", h)
	}
}

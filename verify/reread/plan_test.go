package reread_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"fileassay/verify/reread"
	"fileassay/verify/result"
	"fileassay/verify/wanted"
)

// made writes a result of lines of files and opens it. All of the volume but
// sector 0 is unread and failed, what it holds is told by places.
func made(t *testing.T, image, volume string, files ...string) *result.Result {
	t.Helper()
	return madeOf(t, 1<<20, image, volume, files...)
}

// madeOf is made with a drive of so many bytes, of which the volume is the first
// mebibyte.
func madeOf(t *testing.T, drive int64, image, volume string, files ...string) *result.Result {
	t.Helper()
	text := fmt.Sprintf(`{"type":"image","path":"depot.img","size":%d,"drive_size":%d,"sector":512,"map":{},"table":"none","format":1`, drive, drive) + image + "}\n" +
		`{"type":"volume","volume":1,"start":0,"length":1048576,"filesystem":"ext4"` + volume + "}\n"
	for _, f := range files {
		text += f + "\n"
	}
	text += `{"type":"summary","files":{},"folders":{},"sizes":{},"bytes":{},"listing_complete":true}` + "\n"
	path := filepath.Join(t.TempDir(), "r.jsonl")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := result.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

// line is a file of which read bytes of size are read.
func line(id int, path string, size, read int, extents, more string) string {
	return fmt.Sprintf(`{"type":"file","volume":1,"id":%d,"path":%q,"kind":"file","size":%d,"verdict":"damaged","bytes":{"read":%d,"doubtful":0,"failed":%d,"skipped":0,"unlocated":0},"extents":%s,"damage":[],"why":[]%s}`,
		id, path, size, read, size-read, extents, more)
}

const whole = `,"listing":{"complete":true,"why":[]},"places":[{"holds":"files","state":"failed","ranges":[[4096,65536]]},{"holds":"free","state":"failed","ranges":[[131072,5120]]}]`

const compressed = `,"stored":"compressed","packing":{"method":"lznt1","unit":65536,"units":[]}`

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
	for _, c := range []struct {
		name  string
		list  string
		o     reread.Options
		files []string
		want  [][2]int64
		whole int64
	}{
		{"weight 0 is never read for", "0 *.exe\n1 **", reread.Options{},
			[]string{line(1, "a.exe", 512, 0, "[[0,4096,512]]", ""), line(2, "b.txt", 512, 0, "[[0,8192,512]]", "")}, [][2]int64{{8192, 512}}, 1},
		{"more weight for the same cost comes first", "1 a\n9 b\n", reread.Options{Costs: reread.Costs{Seek: 1, Failed: time.Second}},
			[]string{line(1, "a", 512, 0, "[[0,4096,512]]", ""), line(2, "b", 512, 0, "[[0,61440,512]]", "")}, [][2]int64{{61440, 512}, {4096, 512}}, 2},
		{"shared sectors count once", "5 a\n4 b\n8 c", reread.Options{BudgetSectors: 2},
			[]string{line(1, "a", 1024, 0, "[[0,4096,1024]]", ""), line(2, "b", 512, 0, "[[0,4608,512]]", ""), line(3, "c", 1024, 0, "[[0,9216,1024]]", "")},
			[][2]int64{{4608, 512}, {4096, 512}}, 2},
		{"a compressed file needs all its sectors", "1 **", reread.Options{},
			[]string{line(1, "a", 65536, 0, "[[0,4096,512],[0,8192,512]]", `,"stored":"compressed"`)}, [][2]int64{{4096, 512}, {8192, 512}}, 1},
		{"of a compressed film a sector alone gains nothing", "9 a.mp4\n1 b.mp4", reread.Options{BudgetSectors: 1},
			[]string{line(1, "a.mp4", 131072, 0, "[[0,4096,512],[512,8192,512],[65536,12288,1536]]", compressed), line(2, "b.mp4", 1024, 0, "[[0,20480,512],[512,28672,512]]", "")},
			[][2]int64{{20480, 512}}, 0},
		{"a unit of it does", "9 a.mp4\n1 b.mp4", reread.Options{BudgetSectors: 3},
			[]string{line(1, "a.mp4", 131072, 0, "[[0,4096,512],[512,8192,512],[65536,12288,2048]]", compressed), line(2, "b.mp4", 1024, 0, "[[0,20480,512],[512,28672,512]]", "")},
			[][2]int64{{4096, 512}, {8192, 512}, {20480, 512}}, 0},
		{"units in one extent", "9 a.mp4", reread.Options{BudgetSectors: 100},
			[]string{line(1, "a.mp4", 262144, 0, "[[63488,4096,65536]]", compressed)}, [][2]int64{{4096, 2048}}, 0},
		{"where units are not told only the whole film is", "9 a.mp4\n1 b.mp4", reread.Options{BudgetSectors: 3},
			[]string{line(1, "a.mp4", 131072, 0, "[[0,4096,512],[512,8192,512],[65536,12288,2048]]", `,"stored":"compressed"`), line(2, "b.mp4", 1024, 0, "[[0,20480,512],[512,28672,512]]", "")},
			[][2]int64{{20480, 512}, {28672, 512}}, 1},
		{"a film counts for its share", "1 **", reread.Options{BudgetSectors: 1},
			[]string{line(1, "a.zip", 1024, 0, "[[0,4096,512],[512,12288,512]]", ""), line(2, "b.mp4", 1024, 0, "[[0,20480,512],[512,28672,512]]", "")},
			[][2]int64{{20480, 512}}, 0},
		{"what was read, and what lies in no sector of the drive, is not named", "1 **", reread.Options{},
			[]string{line(1, "a", 1<<30, 0, "[[0,0,4608],[4608,1048576,512],[9,-5,7]]", "")}, [][2]int64{{4096, 512}}, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.o.Wanted = list(t, c.list)
			p := plan(t, made(t, "", whole, c.files...), c.o)
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
	volume := `,"listing":{"complete":false,"unread_records":40,"why":[]},"needs":[[65536,512]],"places":[{"holds":"structures","state":"failed","ranges":[[4096,512],[65536,512]]},{"holds":"files","state":"failed","ranges":[[8192,512]]},{"holds":"free","state":"failed","ranges":[[131072,5120]]}]`
	var files []string
	for k := range 20 {
		files = append(files, fmt.Sprintf(`{"type":"file","volume":1,"id":%d,"path":"deeds/%d.odt","kind":"file","size":null,"verdict":"lost","bytes":{"read":null,"doubtful":null,"failed":null,"skipped":null,"unlocated":null},"extents":[],"damage":[],"needs":[[4096,512]],"why":[]}`, k+1, k))
	}
	files = append(files, line(99, "one.odt", 512, 0, "[[0,8192,512]]", ""))
	p := plan(t, made(t, "", volume, files...), reread.Options{})
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
	volume := `,"listing":{"complete":true,"why":[]},"places":[{"holds":"structures","state":"failed","ranges":[[0,512]]},{"holds":"files","state":"failed","ranges":[[786432,512]]}]`
	for _, c := range []struct {
		drive int64
		want  [][2]int64
	}{
		{1 << 20, [][2]int64{{786432, 512}, {0, 512}}},
		{4 << 20, [][2]int64{{0, 512}, {786432, 512}}},
	} {
		r := madeOf(t, c.drive, `,"needs":[[0,512]]`, volume, line(1, "one.odt", 512, 0, "[[0,786432,512]]", ""))
		if d := cmp.Diff(c.want, ranges(plan(t, r, reread.Options{}))); d != "" {
			t.Errorf("a drive of %d bytes (-want +got):\n%s", c.drive, d)
		}
	}
}

func TestHeads(t *testing.T) {
	image := `,"heads":{"path":"h.csv","sha256":"","heads":[{"head":0},{"head":1},{"head":2}],"unnamed":{}}`
	p := plan(t, made(t, image, whole,
		line(1, "a.odt", 1024, 512, "[[0,4096,512]]", `,"heads":[1]`), line(2, "b.odt", 1024, 0, "[[0,8192,1024]]", `,"heads":[0,1]`),
		line(3, "c.odt", 512, 0, "[[0,12288,512]]", `,"heads":[1],"needs":[[4096,512]]`)), reread.Options{})
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
	if p := plan(t, made(t, "", whole), reread.Options{}); p.Heads != nil {
		t.Errorf("without a head map: %v", p.Heads)
	}
}

func TestStop(t *testing.T) {
	costs := reread.Costs{Failed: 45 * time.Minute}
	p := plan(t, made(t, "", whole, line(1, "a", 512, 0, "[[0,4096,512]]", ""), line(2, "b", 512, 0, "[[0,8192,512]]", ""),
		line(3, "c", 512, 0, "[[0,12288,512]]", "")), reread.Options{Costs: costs, Worth: 5, Wanted: list(t, "9 a\n7 b\n2 c")})
	if p.Stop == nil || p.Stop.Step != 2 || p.Stop.After != 90*time.Minute || p.Stop.Next != 2 {
		t.Errorf("stop %+v; want after 2 steps, 1 h 30, with 2 to win", p.Stop)
	}
}

// A result that claims absurd places is planned for in bounded time.
func TestHostile(t *testing.T) {
	const most = "9223372036854775807"
	volume := `,"listing":{"complete":false,"why":[]},"needs":[[-1,5],[0,` + most + `],[` + most + `,` + most + `]],"places":[{"holds":"files","state":"failed","ranges":[[0,` + most +
		`],[-4,9],[512,-9],[` + most + `,1]]},{"holds":"nonsense","state":"nonsense","ranges":[[7,5]]}]`
	r := made(t, `,"needs":[[5,`+most+`]]`, volume, line(1, "a", 512, 9000, "[[0,0,"+most+"]]", ""), line(2, "b", 0, 0, "[["+most+","+most+","+most+"]]", `,"needs":[[1,0]]`),
		`{"type":"file","volume":7,"id":3,"path":"c","kind":"file","size":5,"verdict":"lost","bytes":{},"extents":[[0,4096,5]],"damage":[],"why":[]}`)
	for _, size := range []int64{0, 1 << 20, 1<<63 - 1} {
		r.Image.DriveSize = size
		for _, o := range []reread.Options{{}, {Budget: time.Second}, {BudgetSectors: 5}, {Forward: true}} {
			p := plan(t, r, o)
			if size == 0 && len(p.Ranges) > 0 {
				t.Errorf("a drive of no sectors: %v", p.Ranges)
			}
			for _, g := range p.Ranges {
				if g.Start < 0 || g.Length <= 0 || g.Start+g.Length > size {
					t.Errorf("drive of %d bytes: range %+v", size, g)
				}
			}
		}
	}
}

// A file of which nothing says that it will be whole is not promised, and a
// structure that read files wait for counts for them.
func TestBlockedFiles(t *testing.T) {
	volume := `,"listing":{"complete":false,"unread_records":0,"why":[]},"needs":[[65536,512]],"places":[{"holds":"structures","state":"failed","ranges":[[65536,512]]},{"holds":"files","state":"failed","ranges":[[8192,1024]]}]`
	doubt := func(s string) string { return strings.Replace(s, `"why":[]`, `"why":["its journal is unread"]`, 1) }
	p := plan(t, made(t, "", volume, doubt(line(1, "a.odt", 512, 512, "[[0,4096,512]]", "")), doubt(line(2, "b.odt", 512, 512, "[[0,4608,512]]", "")),
		doubt(line(3, "c.odt", 512, 0, "[[0,8192,512]]", "")), line(4, "d.odt", 512, 0, "[[0,8704,512]]", "")), reread.Options{})
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

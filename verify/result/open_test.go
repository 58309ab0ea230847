package result_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"fileassay/extract/imap"
	"fileassay/extract/lawtest"
	"fileassay/verify/files"
	"fileassay/verify/result"
	"fileassay/verify/result/resulttest"
)

// quay is a result with every kind of line and verdict, and content in units,
// kept apart, and past the end of the drive.
func quay() *resulttest.Made {
	num := resulttest.Num
	m := &resulttest.Made{
		Image: result.Image{Path: "quay.img", Size: 1 << 20},
		Volumes: []result.Volume{{Start: 0, Length: 1 << 19, Filesystem: "ntfs", Listing: result.Listing{Complete: true}},
			{Start: 1 << 19, Length: 1 << 20, Filesystem: "ext4", Needs: [][2]int64{{1<<19 + 1024, 1024}}}},
		Files: []*result.File{
			{ID: 5, Path: "Moorings", Kind: "folder", Size: num(0)},
			{ID: 6, Path: "Moorings/tides.csv", Size: num(3000), Extents: [][3]int64{{0, 8192, 3000}}},
			{ID: 7, Path: "Moorings/berths.db", Size: num(4096), Extents: [][3]int64{{0, 20480, 1024}, {1024, 40960, 3072}}},
			{ID: 8, Path: "Moorings/pumps.log", Size: num(1024), Extents: [][3]int64{{0, 65536, 1024}}},
			{ID: 9, Path: "Moorings/chart.tif", Size: num(131072), Stored: "compressed", Extents: [][3]int64{{0, 81920, 4096}},
				Packing: result.Packing{Method: "lznt1", Unit: 65536, Units: [][]int64{{0, 4096}}},
				Damage:  []result.Damage{{Offset: 0, Image: 82944, Length: 65536, What: "failed"}}},
			{ID: 10, Path: "Moorings/note.txt", Size: num(100), Patched: [][3]int64{{50, 99000, 2}}, Extents: [][3]int64{{0, 98950, 50}, {52, 99002, 48}}},
			{ID: 11, Path: "?/11", Unnamed: true, Needs: [][2]int64{{4096, 512}}},
			{ID: 12, Path: "gone.bin", Size: num(77), Damage: []result.Damage{{Image: -1, Length: 77, What: "unlocated"}}},
			{Volume: 2, ID: 5, Path: "Moorings/tides.csv", Size: num(1 << 19), Extents: [][3]int64{{0, 1 << 19, 1 << 19}}},
		},
	}
	m.Places = append(m.Places, resulttest.Unread(imap.Failed, "structures", [2]int64{4096, 512})...)
	m.Places = append(m.Places, resulttest.Unread(imap.Skipped, "files", [2]int64{20480, 512})...)
	m.Places = append(m.Places, resulttest.Unread(imap.Doubtful, "files", [2]int64{40960, 1024})...)
	m.Places = append(m.Places, resulttest.Unread(imap.Failed, "files", [2]int64{65536, 1024}, [2]int64{82944, 512})...)
	m.Places = append(m.Places, resulttest.Unread(imap.Failed, "free", [2]int64{200704, 512})...)
	two := resulttest.Unread(imap.Failed, "structures", [2]int64{1<<19 + 1024, 1024})
	two[0].In[0].Volume = 2
	m.Places = append(m.Places, two...)
	m.Places = append(m.Places, resulttest.Unread(imap.Skipped, "", [2]int64{1<<20 - 512, 512})...)
	return m
}

func opened(t *testing.T, text []byte) (*result.Result, error) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "r.jsonl")
	if err := os.WriteFile(path, text, 0o644); err != nil {
		t.Fatal(err)
	}
	r, err := result.Open(path)
	if err == nil {
		t.Cleanup(func() { r.Close() })
	} else if in := (*files.InputError)(nil); !errors.As(err, &in) {
		t.Errorf("no input error: %v", err)
	}
	return r, err
}

func TestOpen(t *testing.T) {
	m := quay()
	m.Fill()
	r, err := opened(t, m.Text(t))
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Volumes) != 2 || r.Summary.Files != (result.VerdictCount{Intact: 2, Damaged: 3, Lost: 3}) {
		t.Errorf("%+v", r.Summary)
	}
	for range 2 { // as often as it is asked
		n := 0
		for f, err := range r.Files() {
			if err != nil {
				t.Fatal(err)
			}
			if got, want := string(f.AppendLine(nil)), string(m.Files[n].AppendLine(nil)); got != want {
				t.Errorf("got %s want %s", got, want)
			}
			n++
		}
		k := 0
		for p, err := range r.Places() {
			if err != nil {
				t.Fatal(err)
			}
			if w := &m.Places[k]; p.Start != w.Start || p.Length != w.Length || p.State != w.State || fmt.Sprint(p.In) != fmt.Sprint(w.In) {
				t.Errorf("%+v, want %+v", p, w)
			}
			k++
		}
		if n != len(m.Files) || k != len(m.Places) {
			t.Errorf("%d files, %d places", n, k)
		}
	}
	if r.Unread.Len() != 8 || r.Unread.IsRead(20480, 1) || !r.Unread.IsRead(20992, 19968) {
		t.Errorf("%d unread ranges", r.Unread.Len())
	}
}

// The same JSON with other blanks and fields in another order is the same
// result.
func TestOpenOtherJSON(t *testing.T) {
	m := quay()
	m.Fill()
	var b bytes.Buffer
	for _, line := range bytes.Split(bytes.TrimSpace(m.Text(t)), []byte("\n")) {
		var v any
		d := json.NewDecoder(bytes.NewReader(line))
		d.UseNumber()
		if err := d.Decode(&v); err != nil {
			t.Fatal(err)
		}
		sorted, err := json.MarshalIndent(v, " ", "\t") // a map's names in order
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&b, " \t\r\n  %s  \n", bytes.ReplaceAll(sorted, []byte("\n"), []byte("\r")))
	}
	r, err := opened(t, b.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for f, err := range r.Files() {
		if err != nil || !bytes.Equal(f.AppendLine(nil), m.Files[n].AppendLine(nil)) {
			t.Errorf("file %d: %v", n, err)
		}
		n++
	}
	if n != len(m.Files) {
		t.Errorf("%d files", n)
	}
}

// A result that contradicts itself is refused before anybody reads it.
func TestOpenRefuses(t *testing.T) {
	m := quay()
	m.Fill()
	whole := string(m.Text(t))
	lines := strings.SplitAfter(strings.TrimSuffix(whole, "\n"), "\n")
	line := func(with string) int {
		for i, l := range lines {
			if strings.Contains(l, with) {
				return i
			}
		}
		t.Fatalf("no line with %s", with)
		return 0
	}
	without := func(i int) string { return strings.Join(append(append([]string{}, lines[:i]...), lines[i+1:]...), "") }
	replace := func(old, new string) string {
		if !strings.Contains(whole, old) {
			t.Fatalf("nothing to replace: %s", old)
		}
		return strings.Replace(whole, old, new, 1)
	}
	tides, pumps := line(`tides.csv`), line(`pumps.log`)
	cases := map[string]string{
		"empty":                   "",
		"no result":               "start,length,state\n",
		"cut short":               whole[:len(whole)-10],
		"without its end":         without(len(lines) - 1),
		"without an image":        without(0),
		"without a volume":        without(1),
		"without unread places":   without(line(`"type":"unread"`)),
		"without a file":          without(tides),
		"a file twice":            strings.Replace(whole, lines[tides], lines[tides]+lines[tides], 1),
		"a summary twice":         whole + lines[len(lines)-1],
		"more behind it":          whole + lines[tides],
		"out of order":            strings.Join(append(append([]string{lines[0]}, lines[2:]...), lines[1]), ""),
		"half its lines":          strings.Join(append(append([]string{}, lines[:6]...), lines[len(lines)-1]), ""),
		"of an earlier form":      replace(`"format":2`, `"format":1`),
		"of a later form":         replace(`"format":2`, `"format":3`),
		"damaged called intact":   strings.Replace(whole, lines[pumps], strings.Replace(lines[pumps], `"verdict":"lost"`, `"verdict":"intact"`, 1), 1),
		"its damage list emptied": strings.Replace(whole, lines[pumps], emptied(lines[pumps]), 1),
		"emptied, and sums mended": mended(t, func(m *resulttest.Made) {
			f := m.Files[3]
			f.Damage = []result.Damage{}
			f.Bytes = result.NullBytes{}
			f.Verdict = ""
		}),
		"a moved extent":      mended(t, func(m *resulttest.Made) { m.Files[1].Extents[0][1] = 65536 }),
		"a state for another": mended(t, func(m *resulttest.Made) { f := m.Files[3]; f.Damage[0].What = "skipped"; f.Bytes = result.NullBytes{} }),
		"damage that is none": mended(t, func(m *resulttest.Made) {
			f := m.Files[1]
			f.Damage = []result.Damage{{Image: 8192, Length: 512, What: "failed"}}
			f.Bytes = result.NullBytes{}
			f.Verdict = ""
		}),
		"damage at another place": mended(t, func(m *resulttest.Made) { m.Files[3].Damage[0].Image = 200704 }),
		"units without damage": mended(t, func(m *resulttest.Made) {
			f := m.Files[4]
			f.Damage = []result.Damage{}
			f.Bytes = result.NullBytes{}
			f.Verdict = ""
		}),
		"patched without damage":     mended(t, func(m *resulttest.Made) { m.Files[5].Patched[0][1] = 65536 }),
		"past the drive's end":       mended(t, func(m *resulttest.Made) { m.Files[1].Extents[0][1] = 1 << 20 }),
		"intact of unknown size":     mended(t, func(m *resulttest.Made) { m.Files[6].Verdict = result.Intact }),
		"needs what was read":        mended(t, func(m *resulttest.Made) { m.Files[6].Needs[0][0] = 8192 }),
		"needs what is no drive":     mended(t, func(m *resulttest.Made) { m.Files[6].Needs[0] = [2]int64{1 << 20, 512} }),
		"needs nothing":              mended(t, func(m *resulttest.Made) { m.Files[6].Needs[0][1] = 0 }),
		"a negative place":           mended(t, func(m *resulttest.Made) { m.Files[1].Extents[0][1] = -8192 }),
		"a place that overflows":     mended(t, func(m *resulttest.Made) { m.Files[1].Extents[0][1] = math.MaxInt64 - 2999 }),
		"content of nothing":         mended(t, func(m *resulttest.Made) { m.Files[1].Extents[0][2] = 0 }),
		"content over itself":        mended(t, func(m *resulttest.Made) { m.Files[2].Extents[1][0] = 512 }),
		"content past the end":       mended(t, func(m *resulttest.Made) { m.Files[1].Extents[0][2] = 3001 }),
		"content in two places":      mended(t, func(m *resulttest.Made) { m.Files[5].Patched[0][0] = 40 }),
		"lost, and some of it read":  mended(t, func(m *resulttest.Made) { m.Files[8].Verdict = result.Lost }),
		"a volume needs no drive":    mended(t, func(m *resulttest.Made) { m.Volumes[1].Needs[0][1] = 1 << 20 }),
		"a volume needs what is not": mended(t, func(m *resulttest.Made) { m.Volumes[1].Needs[0][0] = -1 }),
		"a volume that overflows":    mended(t, func(m *resulttest.Made) { m.Volumes[1].Length = math.MaxInt64 }),
		"a volume before another":    mended(t, func(m *resulttest.Made) { m.Volumes[0].Start = 1<<19 + 1 }),
		"records that no drive has":  mended(t, func(m *resulttest.Made) { m.Volumes[1].Listing.UnreadRecords = math.MaxInt64 }),
		"a table needs no drive":     mended(t, func(m *resulttest.Made) { m.Image.Needs = [][2]int64{{5, math.MaxInt64}} }),
		"no sectors":                 replace(`"sector":512`, `"sector":0`),
		"no drive":                   replace(`"drive_size":1048576`, `"drive_size":0`),
		"a place outside the drive":  replace(`[1048064,512,`, `[1048576,512,`),
		"a place of a volume 3":      replace(`"in":[{"volume":2,`, `"in":[{"volume":3,`),
		"a place of nothing":         replace(`"holds":"free"`, `"holds":"odd"`),
		"a place of a kind untold":   replace(`[20480,512,1],`, `[20480,512,9],`),
		"a negative size":            replace(`"size":3000`, `"size":-3000`),
		"a size of its own":          replace(`"size":3000`, `"size":3001`),
		"a volume that is none":      mended(t, nil, `"volume":2,"id":5`, `"volume":3,"id":5`),
		"a number that is another's": replace(`"volume":2,"start"`, `"volume":1,"start"`),
		"a file before its time":     strings.Replace(without(len(lines)-2), lines[tides], lines[len(lines)-2]+lines[tides], 1),
		"another sum of files":       replace(`"type":"summary","files":{"intact":2`, `"type":"summary","files":{"intact":3`),
		"complete, and it is not":    replace(`"listing_complete":false`, `"listing_complete":true`),
		"an unread place dropped":    replace(`[20480,512,1],`, ``),
		"an unread place moved":      replace(`[20480,512,1]`, `[20992,512,1]`),
		"unread places overlap":      replace(`[20480,512,1]`, `[4096,512,1]`),
		"a part of a sector":         replace(`[20480,512,1]`, `[20481,512,1]`),
		"another state":              replace(`"kinds":[{"state":"failed"`, `"kinds":[{"state":"read"`),
		"another map":                replace(`"failed":`+fmt.Sprint(m.Image.Map.Failed), `"failed":0`),
		"a field twice":              replace(`"path":"quay.img"`, `"path":"quay.img","path":"other.img"`),
		"a field in other letters":   replace(`"path":"quay.img"`, `"path":"quay.img","Path":"other.img"`),
		"a path without end":         mended(t, func(m *resulttest.Made) { m.Files[1].Path = strings.Repeat("x", 1<<21) }),
		"a label without end":        mended(t, func(m *resulttest.Made) { m.Volumes[1].Label = strings.Repeat("x", 1<<21) }),
		"an unknown kind":            replace(`"kind":"folder"`, `"kind":"cupboard"`),
		"an unknown line":            replace(`"type":"unread"`, `"type":"unseen"`),
	}
	for name, text := range cases {
		if r, err := opened(t, []byte(text)); err == nil {
			t.Errorf("%s: taken: %+v", name, r.Summary)
		}
	}
	if _, err := opened(t, []byte(replace(`"format":2`, `"format":1`))); err == nil || !strings.Contains(err.Error(), "make it again with verify") {
		t.Errorf("an earlier form: %v", err)
	}
	if _, err := result.Open(t.TempDir()); err == nil {
		t.Error("a folder is taken")
	}
}

// Where volumes overlap, each counts what it has of an unread place, and the
// drive counts the place once, as what would be missed most.
func TestOpenOverlap(t *testing.T) {
	r := overlap().Open(t)
	free := result.Places{Free: result.Unread{Failed: 1536}}
	file := result.Places{Files: result.Unread{Failed: 1024}}
	once := result.Places{Files: result.Unread{Failed: 1024}, Free: result.Unread{Failed: 512}}
	if r.Volumes[0].Unread != free || r.Volumes[1].Unread != file || r.Summary.Unread != once {
		t.Errorf("%+v, %+v, in all %+v", r.Volumes[0].Unread, r.Volumes[1].Unread, r.Summary.Unread)
	}
	if r.Volumes[0].Files.Intact != 1 || r.Volumes[1].Files.Damaged != 1 {
		t.Errorf("%+v, %+v", r.Volumes[0].Files, r.Volumes[1].Files)
	}
}

// overlap is a result of two volumes, the second within the first.
func overlap() *resulttest.Made {
	places := resulttest.Unread(imap.Failed, "free", [2]int64{4096, 1024}, [2]int64{16384, 512})
	places[0].In = append(places[0].In, result.Holder{Volume: 2, Holds: result.HoldsFiles})
	return &resulttest.Made{Places: places,
		Volumes: []result.Volume{{Length: 1 << 20, Filesystem: "ntfs"}, {Start: 4096, Length: 1 << 16, Filesystem: "ext4"}},
		Files: []*result.File{{Volume: 1, ID: 1, Path: "kelp.txt", Size: resulttest.Num(4096), Extents: [][3]int64{{0, 8192, 4096}}},
			{Volume: 2, ID: 1, Path: "kelp.txt", Size: resulttest.Num(4096), Extents: [][3]int64{{0, 4096, 4096}}}}}
}

// emptied is the line of a file that says of itself that it is whole.
func emptied(line string) string {
	i, j := strings.Index(line, `"damage":[`), strings.Index(line, `,"why"`)
	line = line[:i] + `"damage":[]` + line[j:]
	return strings.NewReplacer(`"read":0`, `"read":1024`, `"failed":1024`, `"failed":0`, `"verdict":"lost"`, `"verdict":"intact"`).Replace(line)
}

// mended is the result with an edit after which all sums are right again. What
// is replaced after that is given in pairs.
func mended(t *testing.T, edit func(m *resulttest.Made), pairs ...string) string {
	t.Helper()
	m := quay()
	m.Fill()
	if edit != nil {
		edit(m)
		m.Fill()
	}
	return strings.NewReplacer(pairs...).Replace(string(m.Text(t)))
}

// One byte of a result changed: it is refused, or says the same of what was
// read and of every verdict.
func TestOpenFlipped(t *testing.T) {
	m := quay()
	m.Fill()
	whole := m.Text(t)
	rnd := rand.New(rand.NewPCG(3, 4))
	kept := 0
	times := lawtest.Times(t, 3000)
	for range times {
		text := bytes.Clone(whole)
		text[rnd.IntN(len(text))] = "0123456789,:{}[]\"alnd \x00\xff"[rnd.IntN(24)]
		r, err := result.Read(text)
		if err != nil {
			continue
		}
		kept++
		if err := keepsLaws(r); err != nil {
			t.Errorf("%v: %s", err, text)
		}
	}
	t.Logf("%d of %d taken", kept, times)
}

// A file may end in zeros without number that take no room: they are no line.
func TestOpenSparse(t *testing.T) {
	path := filepath.Join(t.TempDir(), "r.jsonl")
	m := quay()
	m.Fill()
	text := m.Text(t)
	for name, head := range map[string]string{"no line": "", "a line": string(text), "an open line": string(text) + `{"type":"file","x":"`} {
		if err := errors.Join(os.WriteFile(path, []byte(head), 0o600), os.Truncate(path, 1<<40)); err != nil {
			t.Fatal(err)
		}
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := result.Open(path)
		runtime.ReadMemStats(&after)
		if took := (after.TotalAlloc - before.TotalAlloc) >> 20; err == nil || took > 64 {
			t.Errorf("%s: error %v, %d MiB", name, err, took)
		}
	}
}

// The lines of the image, of a volume and of the sums must have what stands in
// each of them.
func TestOpenLacks(t *testing.T) {
	m := quay()
	m.Fill()
	text := string(m.Text(t))
	lines := strings.SplitAfter(text, "\n")
	n := 0
	for i, line := range lines {
		var fields map[string]json.RawMessage
		if json.Unmarshal([]byte(line), &fields) != nil || strings.HasPrefix(line, `{"type":"file"`) || strings.HasPrefix(line, `{"type":"unread"`) {
			continue
		}
		for name := range fields {
			rest := maps.Clone(fields)
			delete(rest, name)
			b, err := json.Marshal(rest)
			if err != nil {
				t.Fatal(err)
			}
			changed := slices.Clone(lines)
			changed[i] = string(b) + "\n"
			_, err = result.Read([]byte(strings.Join(changed, "")))
			switch name {
			case "heads", "needs", "structures", "notes", "proof", "wanted", "missing", "parts", "profile", "offset", "content": // where there are any
			default:
				n++
				if err == nil {
					t.Errorf("line %d without %s is taken", i+1, name)
				}
			}
		}
	}
	if n < 30 {
		t.Errorf("only %d fields were taken out", n)
	}
}

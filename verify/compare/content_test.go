package compare

import (
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"

	"fileassay/extract/fixture"
	"fileassay/extract/imap"
	"fileassay/verify"
	"fileassay/verify/files"
	"fileassay/verify/result"
	"fileassay/verify/truthtest"
)

// pass is an image of a drive with what was not read of it.
type pass struct {
	image  []byte
	unread []imap.Range
}

// verified writes a pass to a folder under a name, and opens its result.
func (p pass) verified(t testing.TB, dir, name string) *result.Result {
	t.Helper()
	path := filepath.Join(dir, name+".img")
	if err := os.WriteFile(path, p.image, 0o600); err != nil {
		t.Fatal(err)
	}
	return verifyTo(t, dir, name, path, int64(len(p.image)), p.unread)
}

// verifyTo verifies an image, and opens the result.
func verifyTo(t testing.TB, dir, name, path string, size int64, unread []imap.Range) *result.Result {
	t.Helper()
	list := filepath.Join(dir, name+".csv")
	truthtest.WriteMap(t, list, size, unread)
	out := filepath.Join(dir, name+".jsonl")
	if _, err := verify.Run(t.Context(), verify.Options{Image: path, Map: list, Result: out, Force: true}); err != nil {
		t.Fatal(err)
	}
	r, err := result.Open(out)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

// compared compares two passes with their content.
func compared(t testing.TB, dir string, before, after pass) *Comparison {
	t.Helper()
	return comparedBy(t, before.verified(t, dir, "before"), after.verified(t, dir, "after"), batchRanges)
}

func comparedBy(t testing.TB, a, b *result.Result, limit int) *Comparison {
	t.Helper()
	c, err := Results(a, b, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.readContent(t.Context(), a, b, ContentOptions{}, limit); err != nil {
		t.Fatal(err)
	}
	h := c.Content.Holds
	if sum := h.Files + h.Structures + h.Free + h.Outside + h.Unknown; sum != c.Content.Differ {
		t.Errorf("%d sectors by what they hold, %d in all: %+v", sum, c.Content.Differ, h)
	}
	if c.Worse() != (c.Content.Differ > 0 || c.Lost > 0 || c.Counts[Fell]+c.Counts[Gone] > 0 || len(c.Warnings) > 0) {
		t.Errorf("worse is %v with %d sectors that differ", c.Worse(), c.Content.Differ)
	}
	return c
}

// changed are the changed entries with their sectors.
func changed(t testing.TB, c *Comparison) []string {
	list := []string{}
	for _, ch := range told(t, c) {
		if ch.Sectors > 0 {
			list = append(list, fmt.Sprintf("%s %s %d", ch.What, ch.Path, ch.Sectors))
		}
	}
	slices.Sort(list)
	return list
}

// truthOf finds a file of the truth.
func truthOf(t testing.TB, f *fixture.Fixture, ok func(*fixture.File) bool) *fixture.File {
	t.Helper()
	for i := range f.Truth.Files {
		if x := &f.Truth.Files[i]; x.Oracle == "full" && len(x.Runs) > 0 && !strings.Contains(x.Path, "link") && ok(x) {
			return x
		}
	}
	t.Fatal("no such file in the truth")
	return nil
}

// freeSector is a sector that a result calls free, told by taking many away.
func freeSector(t testing.TB, dir string, image []byte) int64 {
	t.Helper()
	var list []int64
	for k := range int64(200) {
		list = append(list, k*int64(len(image))/512/200)
	}
	r := pass{image, truthtest.Sectors(512, list, imap.Failed)}.verified(t, dir, "probe")
	var free []int64
	for p, err := range r.Places() {
		if err != nil {
			t.Fatal(err)
		}
		if p.Most() == result.HoldsFree {
			free = append(free, p.Start)
		}
	}
	if len(free) < 3 {
		t.Fatal("nothing is free")
	}
	return free[len(free)/2]
}

// directory is the place of a byte in the unused end of a block of a folder.
// NTFS documentation of the Linux kernel's ntfs3 driver (fs/ntfs3/ntfs.h,
// INDEX_BUFFER and INDEX_HDR): "INDX", at 0x18 a header whose second field, at
// 0x1c, is how much is used from there.
func directory(t testing.TB, image []byte) int64 {
	t.Helper()
	for at := 0; at < len(image); at += 4096 {
		if string(image[at:at+4]) != "INDX" {
			continue
		}
		if used := int(binary.LittleEndian.Uint32(image[at+0x1c:])); used > 0 && used < 3000 {
			return int64(at + 0x18 + used + 64)
		}
	}
	t.Fatal("no folder with room")
	return 0
}

// A byte that differs is found where it lies, and only where both passes read
// it.
func TestContent(t *testing.T) {
	f := fixture.Load(t, "v01-ntfs-4k")
	dir := t.TempDir()
	big := truthOf(t, f, func(x *fixture.File) bool {
		return len(x.Runs) == 1 && x.Runs[0][2] > 8*512 && x.Runs[0][1]%512 == 0 && x.Size%4096 < 3000
	})
	resident := truthOf(t, f, func(x *fixture.File) bool { return x.Size > 50 && x.Size < 300 && x.Runs[0][1]%512 != 0 })
	record := resident.Runs[0][1] / 1024 * 1024
	begin, end := big.Runs[0][1], big.Runs[0][1]+big.Runs[0][2]
	free, folder := freeSector(t, dir, f.Image), directory(t, f.Image)
	sector := func(at int64) []imap.Range {
		return []imap.Range{{Start: at / 512 * 512, Length: 512, State: imap.Failed}}
	}
	plain := pass{f.Image, nil}.verified(t, dir, "before")
	one := func(path string, n int) []string { return []string{fmt.Sprintf("changed %s %d", path, n)} }
	for _, test := range []struct {
		name          string
		flip          []int64
		before, after []imap.Range
		holds         Holds
		files         []string
		ranges        [][2]int64
	}{
		{name: "nothing"},
		{name: "content", flip: []int64{begin + 700}, holds: Holds{Files: 1}, files: one(big.Path, 1), ranges: [][2]int64{{begin + 512, 512}}},
		{name: "first and last byte of sectors", flip: []int64{begin, begin + 511, begin + 1024, begin + 2047}, holds: Holds{Files: 3}, files: one(big.Path, 3),
			ranges: [][2]int64{{begin, 512}, {begin + 1024, 1024}}},
		{name: "last byte of content", flip: []int64{end - 1}, holds: Holds{Files: 1}, files: one(big.Path, 1), ranges: [][2]int64{{(end - 1) / 512 * 512, 512}}},
		{name: "first byte past it", flip: []int64{end}, holds: Holds{Free: 1}, ranges: [][2]int64{{end / 512 * 512, 512}}},
		{name: "resident content", flip: []int64{resident.Runs[0][1] + 20}, holds: Holds{Files: 1}, files: one(resident.Path, 1),
			ranges: [][2]int64{{(resident.Runs[0][1] + 20) / 512 * 512, 512}}},
		{name: "the record beside it", flip: []int64{record + 8}, holds: Holds{Structures: 1}, ranges: [][2]int64{{record, 512}}}, // $LogFile sequence number
		{name: "folder", flip: []int64{folder}, holds: Holds{Structures: 1}, ranges: [][2]int64{{folder / 512 * 512, 512}}},
		{name: "free space", flip: []int64{free + 7}, holds: Holds{Free: 1}, ranges: [][2]int64{{free, 512}}},
		{name: "unread before", flip: []int64{begin + 700}, before: sector(begin + 700)},
		{name: "all at once", flip: []int64{begin + 700, folder, free}, before: sector(begin + 2048), after: sector(free + 512),
			holds: Holds{Files: 1, Structures: 1, Free: 1}, files: one(big.Path, 1)},
	} {
		t.Run(test.name, func(t *testing.T) {
			image := bytes.Clone(f.Image)
			for _, at := range test.flip {
				image[at] ^= 0x20
			}
			was := plain
			if test.before != nil {
				was = pass{f.Image, test.before}.verified(t, dir, "before")
			}
			c := comparedBy(t, was, pass{image, test.after}.verified(t, dir, "after"), batchRanges)
			if d := gocmp.Diff(test.holds, c.Content.Holds); d != "" {
				t.Errorf("holds (-want +got):\n%s", d)
			}
			if test.files == nil {
				test.files = []string{}
			}
			if d := gocmp.Diff(test.files, changed(t, c)); d != "" {
				t.Errorf("changed (-want +got):\n%s", d)
			}
			if d := gocmp.Diff(test.ranges, c.Content.At); test.ranges != nil && d != "" {
				t.Errorf("ranges (-want +got):\n%s", d)
			}
			if want := int64(len(image)/512 - len(test.before) - len(test.after)); c.Content.Compared != want {
				t.Errorf("%d sectors compared, want %d", c.Content.Compared, want)
			}
		})
	}
}

// What is unread in the newer pass alone is worse, and its bytes are not
// looked at.
func TestContentUnreadAfter(t *testing.T) {
	f := fixture.Load(t, "ntfs3-kernel")
	big := truthOf(t, f, func(x *fixture.File) bool { return x.Size > 5000 })
	at := big.Runs[0][1] + 512
	image := bytes.Clone(f.Image)
	image[at] ^= 1
	image[at+512] ^= 1
	c := compared(t, t.TempDir(), pass{f.Image, nil}, pass{image, []imap.Range{{Start: at, Length: 512, State: imap.Doubtful}}})
	if c.Content.Differ != 1 || c.Lost != 1 {
		t.Errorf("%d sectors differ, %d lost; want 1 and 1", c.Content.Differ, c.Lost)
	}
	// it fell, and that is where it is told that other content differs too
	if d := gocmp.Diff([]string{"fell " + big.Path + " 1"}, changed(t, c)); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if c.Counts[Changed] != 1 || c.Counts[Fell] != 1 || !strings.HasSuffix(told(t, c)[0].Why, "; 1 sector of its content holds other bytes") {
		t.Errorf("counts %v, why %q", c.Counts, told(t, c)[0].Why)
	}
}

// Space outside volumes is told apart, where a partition table leaves some.
func TestContentOutside(t *testing.T) {
	const start = 1 << 20
	f := fixture.Load(t, "ntfs3-kernel")
	image := append(make([]byte, start), f.Image...)
	entry := image[446:] // UEFI Specification 2.10, section 5.2.1: partition record, 16 bytes
	entry[4] = 0x07
	binary.LittleEndian.PutUint32(entry[8:], start/512)
	binary.LittleEndian.PutUint32(entry[12:], uint32(len(f.Image)/512))
	image[510], image[511] = 0x55, 0xaa
	other := bytes.Clone(image)
	other[9*512+3] ^= 1
	big := truthOf(t, f, func(x *fixture.File) bool { return x.Size > 5000 })
	other[start+big.Runs[0][1]] ^= 1
	c := compared(t, t.TempDir(), pass{image, nil}, pass{other, nil})
	if d := gocmp.Diff(Holds{Outside: 1, Files: 1}, c.Content.Holds); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

// The small fixtures against the truth.
func TestContentTruth(t *testing.T) {
	for _, name := range []string{"v01-ntfs-4k", "ntfs3-kernel"} {
		contentTruth(t, fixture.Load(t, name))
	}
}

// So it is for every fixture there is.
func TestContentTruthOfAllFixtures(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	folder := filepath.Join(fixture.Folder(t), "..", "..", "shared", "fixtures")
	images, err := filepath.Glob(filepath.Join(folder, "*.img.zst"))
	if err != nil || len(images) == 0 {
		t.Fatalf("no fixtures in %s: %v", folder, err)
	}
	for _, image := range images {
		contentTruth(t, fixture.LoadFrom(t, folder, strings.TrimSuffix(filepath.Base(image), ".img.zst")))
	}
}

// contentTruth flips bytes in content at random. The files that are told must
// be those that have the byte by the truth, and what stands in unread sectors
// must not show.
func contentTruth(t *testing.T, f *fixture.Fixture) {
	t.Run(f.Name, func(t *testing.T) {
		rnd := rand.New(rand.NewPCG(9, 1))
		s := f.Truth.Sector
		type target struct {
			volume int64
			file   *fixture.File
		}
		at := map[int64][]target{} // by sector, of content that fills it
		var sectors []int64
		for i := range f.Truth.Files {
			x := &f.Truth.Files[i]
			for _, r := range x.Runs {
				for k := (r[1] + s - 1) / s; (k+1)*s <= r[1]+r[2]; k++ {
					if at[k] == nil {
						sectors = append(sectors, k)
					}
					at[k] = append(at[k], target{f.Truth.Volumes[x.Volume].Start, x})
				}
			}
		}
		if len(sectors) == 0 {
			t.Fatal("no content")
		}
		slices.Sort(sectors)
		image := bytes.Clone(f.Image)
		var unread [2][]int64
		due := map[string]int64{}
		flipped := map[int64]bool{}
		for range 200 {
			k := sectors[rnd.IntN(len(sectors))]
			if flipped[k] {
				continue
			}
			flipped[k] = true
			image[k*s+rnd.Int64N(s)] ^= byte(1 + rnd.IntN(255))
			if n := rnd.IntN(4); n < 2 {
				unread[n] = append(unread[n], k)
				continue
			}
			for _, x := range at[k] {
				due[fmt.Sprintf("%d %s", x.volume, x.file.Path)]++
			}
		}
		before := pass{bytes.Clone(f.Image), truthtest.Sectors(s, unread[0], imap.Failed)}
		after := pass{image, truthtest.Sectors(s, unread[1], imap.Skipped)}
		dir := t.TempDir()
		c := compared(t, dir, before, after)
		got := map[string]int64{}
		start := starts(c.after(t, dir))
		for _, ch := range told(t, c) {
			if ch.Sectors > 0 {
				got[fmt.Sprintf("%d %s", start[ch.Volume], ch.Path)] = ch.Sectors
			}
		}
		listed := c.listed(t, dir)
		for name := range due {
			if !listed[name] { // of a filesystem without a reader
				delete(due, name)
			}
		}
		if d := gocmp.Diff(due, got); d != "" {
			t.Errorf("sectors of content that differ, by file (-truth +got):\n%s", d)
		}
		if want := int64(len(flipped) - len(unread[0]) - len(unread[1])); c.Content.Differ != want {
			t.Errorf("%d sectors differ, want %d", c.Content.Differ, want)
		}
		first := asJSON(t, c)
		truthtest.Fill(before.image, f.Image, before.unread, "random", rnd)
		truthtest.Fill(after.image, f.Image, after.unread, "copies", rnd)
		if d := gocmp.Diff(first, asJSON(t, compared(t, dir, before, after))); d != "" {
			t.Errorf("what stands in unread sectors shows (-first +other):\n%s", d)
		}
	})
}

// after opens the newer result again.
func (c *Comparison) after(t testing.TB, dir string) *result.Result {
	t.Helper()
	r, err := result.Open(filepath.Join(dir, "after.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Close() })
	return r
}

// listed are the files of the newer result, by where their volume begins and
// their path.
func (c *Comparison) listed(t testing.TB, dir string) map[string]bool {
	t.Helper()
	r := c.after(t, dir)
	start := starts(r)
	list := map[string]bool{}
	for f, err := range r.Files() {
		if err != nil {
			t.Fatal(err)
		}
		list[fmt.Sprintf("%d %s", start[f.Volume], f.Path)] = true
	}
	return list
}

func asJSON(t testing.TB, c *Comparison) string {
	t.Helper()
	b, err := json.MarshalIndent(c, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// Many batches give what one does, and the list of ranges is bounded while its
// totals are not.
func TestContentBatches(t *testing.T) {
	f := fixture.Load(t, "ntfs3-kernel")
	image := bytes.Clone(f.Image)
	for at := int64(16 << 20); at < 20<<20; at += 1024 { // every other sector
		image[at+at%512] ^= 1
	}
	dir := t.TempDir()
	a, b := pass{f.Image, nil}.verified(t, dir, "before"), pass{image, nil}.verified(t, dir, "after")
	one := comparedBy(t, a, b, batchRanges)
	if n := one.Content; n.Differ != 4096 || n.Ranges != 4096 || len(n.At) != maxPlaces || n.Holds.Files == 0 || n.Holds.Free == 0 {
		t.Errorf("%+v", n)
	}
	if d := gocmp.Diff(asJSON(t, one), asJSON(t, comparedBy(t, a, b, 100))); d != "" {
		t.Errorf("in batches of 100 ranges (-one +many):\n%s", d)
	}
}

// Parts are read as one image, and errors say what to do.
func TestContentImages(t *testing.T) {
	f := fixture.Load(t, "ntfs3-kernel")
	dir := t.TempDir()
	image := bytes.Clone(f.Image)
	big := truthOf(t, f, func(x *fixture.File) bool { return x.Size > 5000 })
	image[big.Runs[0][1]] ^= 1
	half := len(image) / 2
	for i, part := range [][]byte{image[:half], image[half:]} {
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("parts.00%d", i)), part, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	a := pass{f.Image, nil}.verified(t, dir, "before")
	b := verifyTo(t, dir, "after", filepath.Join(dir, "parts.000"), int64(len(image)), nil)
	c := comparedBy(t, a, b, batchRanges)
	if d := gocmp.Diff([]string{"changed " + big.Path + " 1"}, changed(t, c)); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	link := filepath.Join(dir, "link.img")
	if err := os.Link(filepath.Join(dir, "before.img"), link); err != nil {
		t.Fatal(err)
	}
	wrong := filepath.Join(dir, "wrong.img")
	if err := os.WriteFile(wrong, make([]byte, len(image)), 0o600); err != nil {
		t.Fatal(err)
	}
	short := filepath.Join(dir, "short.img")
	if err := os.WriteFile(short, image[:half], 0o600); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		name  string
		a, b  *result.Result
		o     ContentOptions
		cause error
		want  string
	}{
		{"one image", a, a, ContentOptions{}, ErrSameImage, "--image-before"},
		{"one image by two names", a, a, ContentOptions{After: link}, ErrSameImage, "--image-before"},
		{"moved", a, b, ContentOptions{Before: filepath.Join(dir, "none.img")}, os.ErrNotExist, "say where with --image-before FILE"},
		{"moved after", a, b, ContentOptions{After: filepath.Join(dir, "none.img")}, os.ErrNotExist, "say where with --image-after FILE"},
		{"another", a, b, ContentOptions{Before: wrong}, result.ErrOtherImage, ""},
		{"short", a, b, ContentOptions{Before: short}, result.ErrOtherImage, "it has 20971520 bytes, that one had 41943040"},
	} {
		t.Run(test.name, func(t *testing.T) {
			c, err := Results(test.a, test.b, nil)
			if err != nil {
				t.Fatal(err)
			}
			was := asJSON(t, c)
			err = Content(t.Context(), c, test.a, test.b, test.o)
			var in *files.InputError
			if !errors.As(err, &in) || !errors.Is(err, test.cause) || !strings.Contains(err.Error(), test.want) {
				t.Errorf("got %v, want %v with %q", err, test.cause, test.want)
			}
			if d := gocmp.Diff(was, asJSON(t, c)); d != "" {
				t.Errorf("the comparison was changed (-was +is):\n%s", d)
			}
		})
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := Content(ctx, c, a, b, ContentOptions{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// Content can be compared only where both drives begin alike.
func TestContentOffsets(t *testing.T) {
	f := fixture.Load(t, "ntfs3-kernel")
	dir := t.TempDir()
	a := pass{f.Image, []imap.Range{{Start: 1 << 20, Length: 4096, State: imap.Failed}}}.verified(t, dir, "before")
	b := pass{f.Image, nil}.verified(t, dir, "after")
	c, err := Results(a, b, nil)
	if err != nil {
		t.Fatal(err)
	}
	b.Image.Offset = 512
	if err := Content(t.Context(), c, a, b, ContentOptions{}); err == nil || !strings.Contains(err.Error(), "the drive begins at byte 0 of one image and at byte 512") {
		t.Errorf("got %v", err)
	}
}

// Progress goes forward over what both passes read, to its end.
func TestContentProgress(t *testing.T) {
	f := fixture.Load(t, "ntfs3-kernel")
	dir := t.TempDir()
	a := pass{f.Image, []imap.Range{{Start: 3 << 20, Length: 5 << 20, State: imap.Failed}}}.verified(t, dir, "before")
	b := pass{f.Image, nil}.verified(t, dir, "after")
	c, err := Results(a, b, nil)
	if err != nil {
		t.Fatal(err)
	}
	var o ContentOptions
	last, calls := int64(0), 0
	o.Progress = func(step string, done, total int64) {
		if step != "comparing content" || done <= last || done > total || total != int64(len(f.Image))-5<<20 {
			t.Errorf("%s: %d of %d after %d", step, done, total, last)
		}
		last, calls = done, calls+1
	}
	if err := Content(t.Context(), c, a, b, o); err != nil {
		t.Fatal(err)
	}
	if calls < 20 || last != int64(len(f.Image))-5<<20 {
		t.Errorf("%d calls, the last at %d", calls, last)
	}
}

// Changes are in the order of the result, whatever the order of a map.
func TestHeldOrder(t *testing.T) {
	c := &Comparison{Counts: map[What]int64{}, Content: &ContentRecord{}, all: &changes{}}
	found := map[int64]*holder{}
	for k := range int64(50) {
		found[k] = &holder{change{at: k, what: Changed.rank()}, 1}
	}
	c.holdOther(found)
	list := c.all.of(Changed)
	if !slices.IsSortedFunc(list, func(i, k int32) int { return cmp.Compare(c.all.at(i).at, c.all.at(k).at) }) || len(list) != 50 || c.Counts[Changed] != 50 {
		t.Error("not in order")
	}
}

// starts is where the volumes of a result begin, by number.
func starts(r *result.Result) map[int]int64 {
	m := map[int]int64{}
	for i := range r.Volumes {
		m[r.Volumes[i].Volume] = r.Volumes[i].Start
	}
	return m
}

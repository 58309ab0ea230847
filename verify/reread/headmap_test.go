package reread_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract/fixture"
	"fileassay/extract/imap"
	"fileassay/verify"
	"fileassay/verify/reread"
	"fileassay/verify/result"
	"fileassay/verify/truthtest"
	"fileassay/verify/wanted"
)

// headDrive is a drive whose heads take turns of a track each, with a map that
// says so.
type headDrive struct {
	t     *testing.T
	f     *fixture.Fixture
	drive *truthtest.Drive
	dir   string
	heads string
	track int64 // sectors
	count int64 // of heads
}

// newHeadDrive makes the map of all heads but those that are left out of it.
func newHeadDrive(t *testing.T, f *fixture.Fixture, track, count int64, out ...int) *headDrive {
	t.Helper()
	d := &headDrive{t: t, f: f, drive: truthtest.NewDrive(t, f), dir: t.TempDir(), track: track, count: count}
	d.heads = filepath.Join(d.dir, "heads.csv")
	text := "start,length,head\n"
	bytes := track * f.Truth.Sector
	for at := int64(0); at < int64(len(f.Image)); at += bytes {
		if slices.Contains(out, int(at/bytes%count)) {
			continue
		}
		text += fmt.Sprintf("%d,%d,%d\n", at, min(bytes, int64(len(f.Image))-at), at/bytes%count)
	}
	if err := os.WriteFile(d.heads, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return d
}

// head serves a sector.
func (d *headDrive) head(sector int64) int { return int(sector / d.track % d.count) }

// verify verifies the drive with sectors that failed, but for those of the
// heads that were read after all.
func (d *headDrive) verify(failed []int64, read ...int) *result.Result {
	d.t.Helper()
	left := slices.DeleteFunc(slices.Clone(failed), func(k int64) bool { return slices.Contains(read, d.head(k)) })
	name := filepath.Join(d.dir, fmt.Sprint("read", read))
	truthtest.WriteMap(d.t, name+".csv", int64(len(d.f.Image)), truthtest.Sectors(d.f.Truth.Sector, left, imap.Failed))
	_, err := verify.Run(context.Background(), verify.Options{Image: d.drive.Path, Map: name + ".csv", Heads: d.heads, Result: name + ".jsonl", Force: true})
	if err != nil {
		d.t.Fatal(err)
	}
	r, err := result.Open(name + ".jsonl")
	if err != nil {
		d.t.Fatal(err)
	}
	d.t.Cleanup(func() { r.Close() })
	return r
}

// entryKey is a line of a result.
type entryKey struct {
	id   uint64
	path string
}

func lines(t *testing.T, r *result.Result) map[entryKey]*result.File {
	t.Helper()
	list := map[entryKey]*result.File{}
	for f, err := range r.Files() {
		if err != nil {
			t.Fatal(err)
		}
		if f.Kind != "folder" {
			list[entryKey{f.ID, f.Path}] = f
		}
	}
	return list
}

// newlyWhole counts the wanted files that are intact in the lines after, and
// were not before; but for those in left.
func newlyWhole(heads []int, before, after map[entryKey]*result.File, left ...map[entryKey]*result.File) reread.HeadSet {
	s := reread.HeadSet{Heads: heads}
	list := wanted.Default()
	for k, f := range after {
		was := before[k]
		w := f.Weight(list)
		if f.Verdict != result.Intact || was == nil || was.Verdict == result.Intact || w <= 0 ||
			slices.ContainsFunc(left, func(x map[entryKey]*result.File) bool { return x[k] != nil && x[k].Verdict == result.Intact }) {
			continue
		}
		s.Files++
		s.Bytes += *f.Size - *was.Bytes.Read
		s.Weight += w
	}
	return s
}

// What a head holds back alone is what becomes whole when all its sectors are
// read and the drive is verified again; what two hold back together, what
// needs both.
func TestHeadMap(t *testing.T) {
	f := fixture.Load(t, "ntfs3-kernel")
	const one, other = 1, 2
	for _, track := range []int64{40, 150, 1000} {
		t.Run(fmt.Sprint(track, " sectors a track"), func(t *testing.T) {
			d := newHeadDrive(t, f, track, 4)
			failed := d.content(one, other)
			r := d.verify(failed)
			p, err := reread.New(r, reread.Options{Costs: reread.DefaultCosts()})
			if err != nil {
				t.Fatal(err)
			}
			before, first, second, both := lines(t, r), lines(t, d.verify(failed, one)), lines(t, d.verify(failed, other)), lines(t, d.verify(failed, one, other))
			for k, x := range both {
				if x.Verdict != result.Intact {
					t.Errorf("%v is %s with all read", k, x.Verdict)
				}
			}
			var got []reread.HeadSet
			for _, h := range p.Heads {
				got = append(got, h.Alone)
			}
			want := []reread.HeadSet{{Heads: []int{0}}, newlyWhole([]int{one}, before, first), newlyWhole([]int{other}, before, second), {Heads: []int{3}}}
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("what each head holds back alone (-counted +told):\n%s", d)
			}
			together := newlyWhole([]int{one, other}, before, both, first, second)
			if d := cmp.Diff([]reread.HeadSet{together}, p.HeadSets); d != "" {
				t.Errorf("what both hold back together (-counted +told):\n%s", d)
			}
			t.Logf("head %d alone %d files of weight %g, head %d alone %d of %g, both together %d of %g", one, want[1].Files, want[1].Weight, other, want[2].Files, want[2].Weight,
				together.Files, together.Weight)
			if want[1].Files < 10 || want[2].Files < 10 || together.Files < 10 {
				t.Error("this damage shows too little")
			}
			for _, h := range p.Heads[one : other+1] {
				if n := h.Alone.Files + together.Files; h.Files != n {
					t.Errorf("%d files wait for head %d, want %d", h.Files, h.Head, n)
				}
			}
		})
	}
}

// A file that waits for sectors of which the map names no head is not promised
// to those it names.
func TestHeadMapWithGaps(t *testing.T) {
	f := fixture.Load(t, "ntfs3-kernel")
	const one, unnamed = 1, 2
	d := newHeadDrive(t, f, 150, 4, unnamed)
	failed := d.content(one, unnamed)
	r := d.verify(failed)
	p, err := reread.New(r, reread.Options{Costs: reread.DefaultCosts()})
	if err != nil {
		t.Fatal(err)
	}
	want := newlyWhole([]int{one}, lines(t, r), lines(t, d.verify(failed, one)))
	for _, h := range p.Heads {
		if h.Head != one {
			continue
		}
		if d := cmp.Diff(want, h.Alone); d != "" {
			t.Errorf("what head %d holds back alone (-counted +told):\n%s", one, d)
		}
		if h.Files <= want.Files {
			t.Errorf("%d files wait for head %d, %d of them for nothing else: this damage shows too little", h.Files, one, want.Files)
		}
	}
	if len(p.HeadSets) != 0 {
		t.Errorf("sets %v: the map names one head that failed", p.HeadSets)
	}
}

// content are the sectors of heads that hold content of files.
func (d *headDrive) content(heads ...int) (list []int64) {
	for _, x := range d.f.Truth.Files {
		for _, r := range x.Runs {
			for k := r[1] / 512; k*512 < r[1]+r[2]; k++ {
				if slices.Contains(heads, d.head(k)) {
					list = append(list, k)
				}
			}
		}
	}
	return list
}

// Where two heads give nothing at all, structures included, what each is said
// to hold back alone becomes whole once it is read; whatever else does waited
// for structures, and was not promised.
func TestHeadMapStructures(t *testing.T) {
	f := fixture.Load(t, "ntfs3-kernel")
	const one, other = 1, 3
	d := newHeadDrive(t, f, 300, 4)
	var failed []int64
	for k := range int64(len(f.Image)) / 512 {
		if h := d.head(k); h == one || h == other {
			failed = append(failed, k)
		}
	}
	r := d.verify(failed)
	p, err := reread.New(r, reread.Options{Costs: reread.DefaultCosts()})
	if err != nil {
		t.Fatal(err)
	}
	before := lines(t, r)
	list := wanted.Default()
	told := 0
	for _, read := range [][]int{{one}, {other}, {one, other}} {
		after := lines(t, d.verify(failed, read...))
		said := int64(0)
		for k, x := range before {
			if slices.Equal(x.Heads, read) && len(x.Needs) == 0 && x.Size != nil && *x.Bytes.Unlocated == 0 && x.Weight(list) > 0 {
				said++
				if now := after[k]; now == nil || now.Verdict != result.Intact {
					t.Errorf("%v waits for heads %v alone, and is not whole with them read: %q, %q", k, read, x.Why, now.Why)
				}
			} else if now := after[k]; now != nil && x.Verdict != result.Intact && now.Verdict == result.Intact && len(x.Heads) > 0 && len(read) == 1 &&
				len(x.Needs) == 0 && len(x.Why) == 0 && x.Weight(list) > 0 {
				t.Errorf("%v became whole by head %v, and was not promised: %+v", k, read, x)
			}
		}
		for _, h := range p.Heads {
			if len(read) == 1 && h.Head == read[0] && h.Alone.Files != said {
				t.Errorf("head %d is said to hold back %d files alone, want %d", h.Head, h.Alone.Files, said)
			}
		}
		told += int(said)
	}
	if told < 30 {
		t.Errorf("only %d files wait for heads alone: this damage shows too little", told)
	}
}

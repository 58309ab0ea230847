package reread_test

import (
	"context"
	"iter"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/fixture"
	"fileassay/extract/imap"
	"fileassay/verify"
	"fileassay/verify/reread"
	"fileassay/verify/result"
	"fileassay/verify/truthtest"
	"fileassay/verify/wanted"
)

// bench is a drive that is imaged step by step: the image holds everything,
// the map tells what was read of it.
type bench struct {
	t     testing.TB
	d     *truthtest.Drive
	dir   string
	state map[int64]imap.State // of each unread sector
	f     *fixture.Fixture
}

func newBench(t testing.TB, f *fixture.Fixture, unread []imap.Range) *bench {
	b := &bench{t: t, d: truthtest.NewDrive(t, f), dir: t.TempDir(), state: map[int64]imap.State{}, f: f}
	for _, u := range unread {
		for at := u.Start; at < u.End(); at += f.Truth.Sector {
			b.state[at] = u.State
		}
	}
	return b
}

// unread is the map of what is not read now.
func (b *bench) unread() []imap.Range {
	list := make([]int64, 0, len(b.state))
	for at := range b.state {
		list = append(list, at)
	}
	slices.Sort(list)
	var out []imap.Range
	size := int64(len(b.f.Image))
	for _, at := range list {
		n := min(b.f.Truth.Sector, size-at)
		if k := len(out); k > 0 && out[k-1].End() == at && out[k-1].State == b.state[at] {
			out[k-1].Length += n
			continue
		}
		out = append(out, imap.Range{Start: at, Length: n, State: b.state[at]})
	}
	return out
}

// verify verifies the drive as it is read now.
func (b *bench) verify() *result.Result {
	b.t.Helper()
	m, out := filepath.Join(b.dir, "map.csv"), filepath.Join(b.dir, "result.jsonl")
	truthtest.WriteMap(b.t, m, int64(len(b.f.Image)), b.unread())
	_, err := verify.Run(context.Background(), verify.Options{Image: b.d.Path, Map: m, Result: out, Force: true, Options: extract.Options{Threads: 2}})
	if err != nil {
		b.t.Fatal(err)
	}
	r, err := result.Open(out)
	if err != nil {
		b.t.Fatal(err)
	}
	b.t.Cleanup(func() { r.Close() })
	return r
}

// read reads a range, and returns how many sectors of it were unread.
func (b *bench) read(start, length int64) (sectors int64) {
	for at := start; at < start+length; at += b.f.Truth.Sector {
		if _, ok := b.state[at]; ok {
			delete(b.state, at)
			sectors++
		}
	}
	return sectors
}

type key struct {
	volume int
	path   string
}

// wholeWeights are the wanted files that are intact, with their weights.
func wholeWeights(t testing.TB, r *result.Result, l *wanted.List) map[key]float64 {
	out := map[key]float64{}
	for f, err := range r.Files() {
		if err != nil {
			t.Fatal(err)
		}
		if f.Kind == "folder" || f.Verdict != result.Intact {
			continue
		}
		if w := f.Weight(l); w > 0 {
			out[key{f.Volume, f.Path}] = w
		}
	}
	return out
}

func plan(t testing.TB, r *result.Result, o reread.Options) *reread.Plan {
	t.Helper()
	if o.Costs == (reread.Costs{}) {
		o.Costs = reread.DefaultCosts()
	}
	p, err := reread.New(r, o)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// fixtures are those of the repository, and all there are where the tools are,
// numbered; one at a time, since they are large.
func fixtures(t testing.TB) iter.Seq2[int, *fixture.Fixture] {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return slices.All([]*fixture.Fixture{fixture.Load(t, "ntfs3-kernel")})
	}
	dir := filepath.Join(fixture.Folder(t), "..", "..", "shared", "fixtures")
	list, err := filepath.Glob(filepath.Join(dir, "*.truth.json.zst"))
	if err != nil || len(list) == 0 {
		t.Fatalf("no fixtures in %s: %v", dir, err)
	}
	return func(yield func(int, *fixture.Fixture) bool) {
		k := 0
		for _, p := range list {
			f := fixture.LoadFrom(t, dir, strings.TrimSuffix(filepath.Base(p), ".truth.json.zst"))
			if slices.ContainsFunc(f.Truth.Volumes, func(v fixture.Volume) bool { return !listed[v.FS] }) {
				continue
			}
			if !yield(k, f) {
				return
			}
			k++
		}
	}
}

// profiles are the ways to fail that image k is put through: all where it is
// the only one; else one, so that all images together go through each of them.
func profiles(k int) iter.Seq2[int, truthtest.Profile] {
	return func(yield func(int, truthtest.Profile) bool) {
		all := truthtest.Profiles()
		for i, p := range all {
			mine := os.Getenv("FILEASSAY_TOOLS") != "1" && !testing.Short() || i == k%len(all)
			if mine && !yield(i, p) {
				return
			}
		}
	}
}

// listed are the filesystems of fixtures whose files are listed.
var listed = map[string]bool{"ntfs": true, "hfsplus": true, "hfsx": true, "fat12": true, "fat16": true, "fat32": true,
	"vfat": true, "exfat": true, "ext2": true, "ext3": true, "ext4": true}

// The laws of a plan: it names no sector that was read, its ranges do not
// overlap, the full plan is exactly the unread sectors that are worth something,
// the same set forward and by value, a budget is kept, and it is the same every
// time.
func TestLaws(t *testing.T) {
	for k, f := range fixtures(t) {
		for i, profile := range profiles(k) {
			rnd := rand.New(rand.NewPCG(3, uint64(i)))
			b := newBench(t, f, profile.Unread(f, rnd))
			r := b.verify()
			full := plan(t, r, reread.Options{})
			set := sectors(t, b, full)
			again := plan(t, r, reread.Options{})
			if d := cmp.Diff(full.Ranges, again.Ranges); d != "" {
				t.Errorf("%s, %s: planned again: %s", f.Name, profile.Name, d)
			}
			forward := plan(t, r, reread.Options{Forward: true})
			if d := cmp.Diff(set, sectors(t, b, forward)); d != "" {
				t.Errorf("%s, %s: forward is another set: %s", f.Name, profile.Name, d)
			}
			checkForward(t, forward)
			if full.Took == 0 {
				continue
			}
			half := plan(t, r, reread.Options{Budget: full.Took / 2})
			if half.Took > full.Took/2 {
				t.Errorf("%s, %s: takes %v of %v", f.Name, profile.Name, half.Took, full.Took/2)
			}
			some := plan(t, r, reread.Options{BudgetSectors: full.Sectors / 3})
			if some.Sectors > full.Sectors/3 {
				t.Errorf("%s, %s: %d sectors of %d", f.Name, profile.Name, some.Sectors, full.Sectors/3)
			}
			for at := range sectors(t, b, half) {
				if !set[at] {
					t.Fatalf("%s, %s: sector at %d is in the plan with a budget and not in the full one", f.Name, profile.Name, at)
				}
			}
			checkWorth(t, f.Name+", "+profile.Name, b, r, set, full.InOneGo)
		}
	}
}

func sectors(t *testing.T, b *bench, p *reread.Plan) map[int64]bool {
	t.Helper()
	set := map[int64]bool{}
	for _, g := range p.Ranges {
		for at := g.Start; at < g.Start+g.Length; at += p.Sector {
			if s, ok := b.state[at]; !ok || s != g.State {
				t.Fatalf("names the sector at %d as %v; it is %v (unread: %v)", at, g.State, s, ok)
			}
			if set[at] {
				t.Fatalf("names the sector at %d twice", at)
			}
			set[at] = true
		}
	}
	return set
}

func checkForward(t *testing.T, p *reread.Plan) {
	t.Helper()
	for i := range p.Steps {
		if i > 0 && p.Steps[i].Pass == p.Steps[i-1].Pass && p.Ranges[p.Steps[i].First].Start < p.Ranges[p.Steps[i-1].First].Start {
			t.Fatalf("step %d goes back within its pass", i)
		}
	}
}

// checkWorth counts anew, by simple means, which unread sectors are worth
// something: they are the full plan, no more and no less.
func checkWorth(t *testing.T, name string, b *bench, r *result.Result, set map[int64]bool, oneGo bool) {
	t.Helper()
	l := wanted.Default()
	sector := b.f.Truth.Sector
	worth := map[int64]string{} // what for
	need := func(why string, list ...[2]int64) {
		for _, n := range list {
			for at := n[0] / sector * sector; at < n[0]+n[1]; at += sector {
				if _, unread := b.state[at]; unread {
					worth[at] = why
				}
			}
		}
	}
	blocked := map[int]bool{} // volumes of files that are read and not whole
	for f, err := range r.Files() {
		if err != nil {
			t.Fatal(err)
		}
		if f.Kind == "folder" {
			if l.Leads(f.Volume, f.Path) > 0 {
				need("what leads to "+f.Path, f.Needs...)
			}
			continue
		}
		if f.Verdict == result.Intact || f.Weight(l) <= 0 {
			continue
		}
		lacks := len(f.Needs) > 0
		need("what leads to "+f.Path, f.Needs...)
		for _, list := range [][][3]int64{f.Extents, f.Patched} {
			for _, e := range list {
				need(f.Path, [2]int64{e[1], e[2]})
			}
		}
		for _, d := range f.Damage {
			if lacks = lacks || d.Image >= 0; d.Image >= 0 && len(f.Patched) > 0 {
				need(f.Path, [2]int64{d.Image, d.Length}) // what vouches for a patched piece may lie elsewhere
			}
		}
		if !lacks {
			blocked[f.Volume] = true
		}
	}
	lacking := map[int]bool{} // volumes that may hold files that nobody knows of
	for _, v := range r.Volumes {
		need("structures of a volume", v.Needs...)
		lacking[v.Volume] = !v.Listing.Complete || blocked[v.Volume]
	}
	need("partition tables", r.Image.Needs...)
	for p, err := range r.Places() {
		if err != nil {
			t.Fatal(err)
		}
		if len(p.In) == 0 && len(r.Image.Missing) > 0 {
			need("outside any volume", [2]int64{p.Start, p.Length})
		}
		for _, h := range p.In {
			if lacking[h.Volume] && (h.Holds == result.HoldsStructures || h.Holds == result.HoldsUnknown) {
				need(h.Holds, [2]int64{p.Start, p.Length})
			}
		}
	}
	for at, why := range worth {
		if !set[at] {
			t.Fatalf("%s: the sector at %d (%s) is worth something, and the full plan lacks it", name, at, why)
		}
	}
	for at := range set {
		if worth[at] == "" && !oneGo { // in one go other structures are read along
			t.Fatalf("%s: the sector at %d is in the full plan, and nothing waits for it", name, at)
		}
	}
}

package reread_test

import (
	"cmp"
	"maps"
	"math"
	"math/rand/v2"
	"path"
	"slices"
	"strings"
	"testing"
	"time"

	"fileassay/extract/imap"
	"fileassay/verify"
	"fileassay/verify/reread"
	"fileassay/verify/truthtest/fixture"
	"fileassay/verify/wanted"
)

// The plan's steps are really read, a tenth at a time, and the drive is
// verified again: what was predicted is what is won.
func TestPredictedIsWon(t *testing.T) {
	l := wanted.Default()
	for k, f := range fixtures(t) {
		for i, profile := range profiles(k) {
			rnd := rand.New(rand.NewPCG(5, uint64(i)))
			b := newBench(t, f, profile.Unread(f, rnd))
			r := b.verify()
			p := plan(t, r, reread.Options{})
			if len(p.Steps) == 0 {
				continue
			}
			before := wholeWeights(t, r, l)
			predicted, perhaps := map[key]uint64{}, map[key]bool{}
			open := map[key]bool{} // files that the plan promises nothing of
			for _, x := range notWhole(t, r) {
				if len(x.Needs) > 0 || len(x.Why) > 0 || x.Size == nil || *x.Bytes.Unlocated > 0 {
					open[key{x.Volume, x.Path}] = true
				}
			}
			known := names(t, r)
			const parts = 4
			for k := range parts {
				for s := len(p.Steps) * k / parts; s < len(p.Steps)*(k+1)/parts; s++ {
					step := &p.Steps[s]
					for _, g := range p.Ranges[step.First : step.First+step.Ranges] {
						b.read(g.Start, g.Length)
					}
					for _, w := range p.Wins(step, p.WinCount(step)) {
						switch w.What {
						case "whole":
							predicted[key{w.Volume, w.Path}] = w.ID
						case "perhaps whole":
							perhaps[key{w.Volume, w.Path}] = true
						}
					}
				}
				now := b.verify()
				after, listed, byNumber := wholeWeights(t, now, l), names(t, now), wholeNumbers(t, now)
				for at, id := range predicted {
					if !listed[at] && byNumber[number{at.volume, id}] {
						continue // it has its name now
					}
					if _, ok := after[at]; !ok {
						t.Errorf("%s, %s, part %d: %v was to be whole, and is not", f.Name, profile.Name, k, at)
					}
				}
				for at := range after {
					_, was := before[at]
					if _, told := predicted[at]; !was && !told && !open[at] && known[at] {
						t.Errorf("%s, %s, part %d: %v is whole, which was not predicted", f.Name, profile.Name, k, at)
					}
				}
				if k == parts-1 {
					t.Logf("%s, %s: %d steps, %d sectors: %d files predicted whole and whole, %d perhaps; %d intact before, %d after",
						f.Name, profile.Name, len(p.Steps), p.Sectors, len(predicted), len(perhaps), len(before), len(after))
				}
			}
		}
	}
}

type number struct {
	volume int
	id     uint64
}

// wholeNumbers are the files that are intact, by number.
func wholeNumbers(t *testing.T, r *verify.Result) map[number]bool {
	out := map[number]bool{}
	for f, err := range r.Files() {
		if err != nil {
			t.Fatal(err)
		}
		if f.Verdict == verify.Intact {
			out[number{f.Volume, f.ID}] = true
		}
	}
	return out
}

func notWhole(t *testing.T, r *verify.Result) []*verify.FileRecord {
	var out []*verify.FileRecord
	for f, err := range r.Files() {
		if err != nil {
			t.Fatal(err)
		}
		if f.Kind != "folder" && f.Verdict != verify.Intact {
			out = append(out, f)
		}
	}
	return out
}

func names(t *testing.T, r *verify.Result) map[key]bool {
	out := map[key]bool{}
	for f, err := range r.Files() {
		if err != nil {
			t.Fatal(err)
		}
		out[key{f.Volume, f.Path}] = true
	}
	return out
}

// order is an order in which sectors are read, as ranges.
type order []reread.Range

// area is the area under the curve of the weight of whole files against time,
// until the given end. need are the unread sectors of each file.
func (o order) area(c reread.Costs, sector int64, need []fileNeed, end time.Duration) float64 {
	waits := map[int64][]int{}
	left := make([]int, len(need))
	for i, n := range need {
		left[i] = len(n.sectors)
		for at := range n.sectors {
			waits[at] = append(waits[at], i)
		}
	}
	area, now, pos := 0.0, time.Duration(0), int64(-1)
	for _, g := range o {
		gap := (g.Start - pos) / sector
		if pos < 0 || g.Start < pos || gap > c.Gap {
			now += c.Seek
		} else {
			now += min(c.Seek, time.Duration(gap)*c.Skipped)
		}
		each := c.Skipped
		switch g.State {
		case imap.Failed:
			each = c.Failed
		case imap.Doubtful:
			each = c.Doubtful
		}
		for at := g.Start; at < g.Start+g.Length; at += sector {
			now += each
			for _, i := range waits[at] {
				if left[i]--; left[i] == 0 && now < end {
					area += need[i].weight * (end - now).Seconds()
				}
			}
		}
		pos = g.Start + g.Length
	}
	return area
}

// leadsOn reports whether a plan reads structures: what they lead to, only
// another run of verify can tell.
func leadsOn(p *reread.Plan) bool {
	for i := range p.Steps {
		for _, w := range p.Wins(&p.Steps[i], p.WinCount(&p.Steps[i])) {
			if w.What != "whole" {
				return true
			}
		}
	}
	return false
}

func sum(m map[key]float64) (w float64) {
	for _, x := range m {
		w += x
	}
	return w
}

// measured is the area of an order that is really read, with the drive verified
// again at even times.
func (o order) measured(b *bench, c reread.Costs, l *wanted.List, before float64, end time.Duration) float64 {
	const samples = 10
	kept := maps.Clone(b.state)
	defer func() { b.state = kept }()
	area, now, pos, next := 0.0, time.Duration(0), int64(-1), 1
	sample := func(until time.Duration) {
		if until < end*time.Duration(next)/samples || next >= samples {
			return
		}
		r := b.verify()
		w := sum(wholeWeights(b.t, r, l)) - before
		r.Close()
		for ; next < samples && until >= end*time.Duration(next)/samples; next++ {
			area += w * end.Seconds() / samples
		}
	}
	for _, g := range o {
		gap := (g.Start - pos) / 512
		if pos < 0 || g.Start < pos || gap > c.Gap {
			now += c.Seek
		} else {
			now += min(c.Seek, time.Duration(gap)*c.Skipped)
		}
		each := c.Skipped
		switch g.State {
		case imap.Failed:
			each = c.Failed
		case imap.Doubtful:
			each = c.Doubtful
		}
		for at := g.Start; at < g.Start+g.Length; at += 512 {
			sample(now + each) // what is whole before this sector is read
			now += each
			b.read(at, 512)
		}
		pos = g.Start + g.Length
	}
	sample(end)
	return area
}

type fileNeed struct {
	weight  float64
	sectors map[int64]bool
}

// needs are the unread sectors of the files that can be made whole, counted by
// simple means.
func (b *bench) needs(r *verify.Result, l *wanted.List) []fileNeed {
	var out []fileNeed
	for _, f := range notWhole(b.t.(*testing.T), r) {
		w := l.Weight(reread.EntryOf(f))
		if w <= 0 || len(f.Needs) > 0 || f.Size == nil || *f.Bytes.Unlocated > 0 {
			continue
		}
		n := fileNeed{w, map[int64]bool{}}
		for _, list := range [][][3]int64{f.Extents, f.Patched} {
			for _, e := range list {
				for at := e[1] / 512 * 512; at < e[1]+e[2]; at += 512 {
					if _, ok := b.state[at]; ok {
						n.sectors[at] = true
					}
				}
			}
		}
		if len(n.sectors) > 0 {
			out = append(out, n)
		}
	}
	return out
}

// customers is a wanted list as a customer gives it: two folders that matter,
// documents and photos, and nothing for the rest.
func customers(t *testing.T, f *fixture.Fixture) *wanted.List {
	count := map[string]int{}
	var dirs []string
	for _, x := range f.Truth.Files {
		if dir := path.Dir(x.Path); dir != "." {
			if count[dir]++; count[dir] == 1 {
				dirs = append(dirs, dir)
			}
		}
	}
	slices.SortFunc(dirs, func(a, b string) int { return cmp.Or(count[b]-count[a], strings.Compare(a, b)) })
	text := ""
	for _, d := range dirs[:min(2, len(dirs))] {
		text += "40 " + wanted.Escape(d) + "/**\n"
	}
	l, err := wanted.Parse("customer", strings.NewReader(text+"5 kind:document\n5 kind:photo\n0 **\n"))
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// The curve of wanted weight against time rises sooner by the plan than in the
// order of the disk: at least 1.5 times over all images, where a customer names
// what matters. It is never below that of the
// disk, or of the smallest ranges first. That is held for plans in which all is
// known; where structures are read first for what they may lead to, the figures
// are only told.
func TestAreaUnderCurve(t *testing.T) {
	costs := reread.DefaultCosts()
	sums := map[string][2]float64{} // by list: of logarithms, and of curves
	for k, f := range fixtures(t) {
		for _, list := range []struct {
			name string
			l    *wanted.List
		}{{"customer's list", customers(t, f)}, {"built-in list", wanted.Default()}} {
			product, curves := 0.0, 0
			for i, profile := range profiles(k) {
				rnd := rand.New(rand.NewPCG(7, uint64(i)))
				b := newBench(t, f, profile.Unread(f, rnd))
				r := b.verify()
				need := b.needs(r, list.l)
				if len(need) < 3 {
					continue // no curve to speak of
				}
				p := plan(t, r, reread.Options{Wanted: list.l})
				var disk order
				end := time.Duration(0)
				for _, u := range b.unread() {
					disk = append(disk, reread.Range{Start: u.Start, Length: u.Length, State: u.State})
					each := costs.Skipped
					if u.State == imap.Failed {
						each = costs.Failed
					}
					end += costs.Seek + time.Duration(u.Length/512)*each
				}
				smallest := slices.Clone(disk)
				slices.SortStableFunc(smallest, func(a, b reread.Range) int { return int(a.Length - b.Length) })
				area := func(o order) float64 { return o.area(costs, 512, need, end) }
				if leadsOn(p) {
					before := sum(wholeWeights(t, r, list.l))
					area = func(o order) float64 { return o.measured(b, costs, list.l, before, end) }
				}
				by, inOrder, small := area(p.Ranges), area(disk), area(smallest)
				if inOrder == 0 {
					continue
				}
				t.Logf("%s, %s, %s: %d files wait; area by plan %.1f, in disk order %.1f (%.2f times), smallest first %.1f (%.2f times)",
					f.Name, profile.Name, list.name, len(need), by, inOrder, by/inOrder, small, by/small)
				if leadsOn(p) {
					continue // structures come first by an estimate of what they lead to, which may be wrong
				}
				if by < inOrder || by < small {
					t.Errorf("%s, %s, %s: the plan is behind disk order or smallest first", f.Name, profile.Name, list.name)
				}
				product, curves = product+math.Log(by/inOrder), curves+1
			}
			if curves == 0 {
				continue
			}
			mean := math.Exp(product / float64(curves))
			sums[list.name] = [2]float64{sums[list.name][0] + product, sums[list.name][1] + float64(curves)}
			t.Logf("%s, %s: %.2f times disk order over %d ways to fail", f.Name, list.name, mean, curves)
		}
	}
	s := sums["customer's list"]
	mean := math.Exp(s[0] / s[1])
	t.Logf("customer's list: %.2f times disk order over %.0f curves", mean, s[1])
	if !(mean >= 1.5) {
		t.Errorf("on all images together the plan is only %.2f times disk order, want 1.5", mean)
	}
}

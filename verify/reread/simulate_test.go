package reread_test

import (
	"math/rand/v2"
	"testing"

	"fileassay/verify/reread"
	"fileassay/verify/result"
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
				start := starts(now)
				after, listed, byNumber := wholeWeights(t, now, l), names(t, now), b.intact(now)
				for at, id := range predicted {
					if !listed[at] && byNumber[number{start[at.volume], id}] {
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

func notWhole(t *testing.T, r *result.Result) []*result.File {
	var out []*result.File
	for f, err := range r.Files() {
		if err != nil {
			t.Fatal(err)
		}
		if f.Kind != "folder" && f.Verdict != result.Intact {
			out = append(out, f)
		}
	}
	return out
}

func names(t *testing.T, r *result.Result) map[key]bool {
	out := map[key]bool{}
	for f, err := range r.Files() {
		if err != nil {
			t.Fatal(err)
		}
		out[key{f.Volume, f.Path}] = true
	}
	return out
}

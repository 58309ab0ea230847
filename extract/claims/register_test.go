package claims

import (
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract/ranges"
)

func TestRegisterAgainstModel(t *testing.T) {
	for seed := range uint64(2000) {
		rnd := rand.New(rand.NewPCG(seed, 1))
		counts := make([]int, 200)
		parts := make([]Register, 1+rnd.IntN(3))
		for range rnd.IntN(30) {
			start, n := rnd.Int64N(200)-2, rnd.Int64N(12)
			c := &parts[rnd.IntN(len(parts))]
			c.Add(start, n)
			if rnd.IntN(9) == 0 {
				c.settle()
			}
			for i := start; start >= 0 && i < start+n && i < 200; i++ {
				counts[i]++
			}
		}
		for i := range parts[1:] {
			parts[0].AddAll(&parts[i+1])
		}
		var once, twice []ranges.Range
		for i, n := range counts {
			if n > 0 {
				once = ranges.Append(once, ranges.Range{Start: int64(i), End: int64(i) + 1})
			}
			if n > 1 {
				twice = ranges.Append(twice, ranges.Range{Start: int64(i), End: int64(i) + 1})
			}
		}
		check := func(what string, want []ranges.Range, s ranges.Set) {
			var got []ranges.Range
			for r := range s.Within(0, 200) {
				got = append(got, r)
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Fatalf("seed %d: %s (-want +got):\n%s", seed, what, d)
			}
		}
		check("claimed", once, parts[0].All())
		check("claimed twice", twice, parts[0].Twice())
	}
}

package ranges

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// runs is a set of bytes as its longest ranges within [start, end).
func runs(set map[int64]bool, start, end int64) []Range {
	var out []Range
	for i := start; i < end; i++ {
		if !set[i] {
			continue
		}
		if k := len(out) - 1; k >= 0 && out[k].End == i {
			out[k].End++
		} else {
			out = append(out, Range{i, i + 1})
		}
	}
	return out
}

func TestSetAgainstModel(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	for range 1000 {
		var s, other Set
		set := map[int64]bool{}
		for range rnd.IntN(40) {
			start, n := int64(rnd.IntN(200)), int64(rnd.IntN(15)-2)
			if rnd.IntN(4) == 0 {
				other.Add(start, n)
			} else {
				s.Add(start, n)
			}
			for i := start; i < start+n; i++ {
				set[i] = true
			}
			if rnd.IntN(8) == 0 { // asking in between changes nothing
				s.Len()
			}
		}
		s.AddAll(&other)
		s.AddAll(&s)
		want := runs(set, 0, 300)
		if diff := cmp.Diff(want, slices.Collect(s.All())); diff != "" {
			t.Fatalf("All (-want +got):\n%s", diff)
		}
		if s.Len() != len(want) || s.Bytes() != int64(len(set)) {
			t.Fatalf("Len %d, Bytes %d; want %d, %d", s.Len(), s.Bytes(), len(want), len(set))
		}
		for range 10 {
			start, n := int64(rnd.IntN(240)-20), int64(rnd.IntN(120)-10)
			want := runs(set, start, start+n)
			if diff := cmp.Diff(want, slices.Collect(s.Within(start, n))); diff != "" {
				t.Fatalf("Within(%d, %d) (-want +got):\n%s", start, n, diff)
			}
			first, ok := s.First(start, n)
			if ok != (len(want) > 0) || ok && first != want[0] {
				t.Fatalf("First(%d, %d) = %v, %v, want the first of %v", start, n, first, ok, want)
			}
			var covered int64
			for _, w := range want {
				covered += w.End - w.Start
			}
			if got := s.Covered(start, n); got != covered {
				t.Fatalf("Covered(%d, %d) = %d, want %d", start, n, got, covered)
			}
		}
	}
}

func TestSetHostile(t *testing.T) {
	var s Set
	for _, r := range [][2]int64{{-1, 5}, {math.MinInt64, math.MaxInt64}, {math.MaxInt64, 1}, {1, math.MaxInt64}, {5, math.MinInt64}, {1 << 62, 1}} {
		s.Add(r[0], r[1])
	}
	if s.Len() != 0 {
		t.Fatalf("took %v", slices.Collect(s.All()))
	}
	s.Add(100, 50)
	s.Add(1<<62-1, 1)
	if got := s.Covered(120, math.MaxInt64); got != 31 {
		t.Errorf("Covered to the end of all is %d, want 31", got)
	}
	if got := s.Covered(math.MinInt64, 5) + s.Covered(120, math.MinInt64); got != 0 {
		t.Errorf("Covered of nothing is %d", got)
	}
	for range s.All() {
		break
	}
	for range s.Within(0, 1<<40) {
		break
	}
}

// Adding the same places again and again needs no more room than the set.
func TestSetRoom(t *testing.T) {
	var s Set
	for i := range int64(1 << 20) {
		s.Add((i*7919)%1000*10, 5)
	}
	if len(s.list) > 1<<17 {
		t.Errorf("%d ranges are kept of 1000", len(s.list))
	}
	if s.Len() != 1000 || s.Bytes() != 5000 {
		t.Errorf("Len %d, Bytes %d", s.Len(), s.Bytes())
	}
}

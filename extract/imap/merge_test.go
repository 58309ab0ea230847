package imap

import (
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func randomMap(t testing.TB, rnd *rand.Rand) *Map {
	t.Helper()
	var ranges []Range
	for pos := int64(rnd.IntN(3) * rnd.IntN(9)); pos < 200 && rnd.IntN(25) > 0; {
		n := int64(1 + rnd.IntN(20))
		ranges = append(ranges, Range{pos, n, State(rnd.IntN(4))})
		pos += n + int64(rnd.IntN(2)*rnd.IntN(9))
	}
	m, err := New(ranges)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// The laws of a merge: commutative, associative, idempotent, an empty map
// changes nothing, and nothing is ever worse than in either map.
func TestMergeLaws(t *testing.T) {
	same := func(law string, a, b *Map) {
		t.Helper()
		if diff := cmp.Diff(slices.Collect(a.Ranges()), slices.Collect(b.Ranges())); diff != "" || a.End() != b.End() {
			t.Fatalf("%s: ends %d and %d\n%s", law, a.End(), b.End(), diff)
		}
	}
	rnd := rand.New(rand.NewPCG(11, 12))
	for range 1000 {
		a, b, c := randomMap(t, rnd), randomMap(t, rnd), randomMap(t, rnd)
		ab := Merge(a, b)
		same("commutative", ab, Merge(b, a))
		same("associative", Merge(ab, c), Merge(a, Merge(b, c)))
		same("idempotent", Merge(a, a), a)
		same("absorbing", Merge(ab, a), ab)
		same("neutral", Merge(a, &Map{}), a)
		all, gains := MergeAll(a, b, c)
		same("all", all, Merge(ab, c))
		var before, sum Tally
		for i, m := range []*Map{a, b, c} {
			if got := m.Tally(0, m.End()); gains[i].Has != got {
				t.Fatalf("pass %d has %v, counted %v", i, got, gains[i].Has)
			}
			for s, n := range gains[i].Added {
				sum[s] += n
			}
		}
		// each byte against the three maps
		var pass [3]Tally
		for at := range all.End() {
			state := func(m *Map) State { s, _ := m.Uniform(at, 1); return s }
			best := Skipped
			for i, m := range []*Map{a, b, c} {
				if s := state(m); worth(s) < worth(best) {
					best = s
					pass[i][s]++
				}
				if worth(state(all)) > worth(state(m)) {
					t.Fatalf("byte %d is %v, worse than %v", at, state(all), state(m))
				}
			}
			if state(all) != best {
				t.Fatalf("byte %d is %v, want %v", at, state(all), best)
			}
			before[best]++
		}
		for i := range pass {
			if pass[i] != gains[i].Added {
				t.Fatalf("pass %d added %v, counted %v", i, pass[i], gains[i].Added)
			}
		}
		if sum[Read] < before[Read] {
			t.Fatalf("%d bytes read, %d added", before[Read], sum[Read])
		}
	}
}

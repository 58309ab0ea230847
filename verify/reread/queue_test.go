package reread

import (
	"cmp"
	"math/rand/v2"
	"slices"
	"testing"
)

// The queue gives what a sorted list would, whatever moved in it.
func TestQueue(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 9))
	const n = 300
	q := newQueue(n)
	keys := map[int32]float64{}
	for round := range 50 {
		q.grow(n)
		for range 1 + rnd.IntN(400) {
			switch id := rnd.Int32N(n); rnd.IntN(5) {
			case 0:
				q.remove(id)
				delete(keys, id)
			default:
				keys[id] = float64(rnd.IntN(40)) // many are equal
				q.set(id, keys[id])
			}
		}
		if round%5 == 3 {
			q.keep(func(id int32) bool { return id%3 > 0 })
			for id := range keys {
				if id%3 == 0 {
					delete(keys, id)
				}
			}
		}
		var want []int32
		for id := range keys {
			want = append(want, id)
		}
		slices.SortFunc(want, func(a, b int32) int { return cmp.Or(cmp.Compare(keys[b], keys[a]), cmp.Compare(a, b)) })
		pops := len(want)
		if round%2 == 0 {
			pops = min(pops, rnd.IntN(20))
		}
		for _, id := range want[:pops] {
			if got := q.pop(); got != id {
				t.Fatalf("round %d: %d (key %g), want %d (key %g)", round, got, keys[got], id, keys[id])
			}
			delete(keys, id)
		}
		if round%7 == 6 {
			q.clear()
			clear(keys)
		}
		if len(q.heap) != len(keys) {
			t.Fatalf("round %d: %d in the queue, want %d", round, len(q.heap), len(keys))
		}
	}
}

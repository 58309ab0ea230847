package bitmap

import (
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract/partial"
	"fileassay/extract/ranges"
)

// source is a bitmap of random bytes, some of which were not read.
func source(rnd *rand.Rand, n int) ([]byte, []bool, func(p []byte, off int64) partial.Bytes) {
	data, read := make([]byte, n), make([]bool, n)
	kind, ok := byte(0), true
	for i := range data {
		if rnd.IntN(9) == 0 {
			kind = []byte{0, 0xFF, byte(rnd.Uint32())}[rnd.IntN(3)]
		}
		if rnd.IntN(50) == 0 {
			ok = !ok
		}
		data[i], read[i] = kind, ok
	}
	return data, read, func(p []byte, off int64) partial.Bytes {
		b := partial.Bytes{Data: p}
		copy(p, data[off:])
		for i := range p {
			if !read[off+int64(i)] {
				p[i] = 0
				b.Unread = ranges.Append(b.Unread, ranges.Range{Start: int64(i), End: int64(i) + 1})
			}
		}
		return b
	}
}

func TestAgainstModel(t *testing.T) {
	for seed := range uint64(400) {
		rnd := rand.New(rand.NewPCG(seed, 1))
		size := 1 + rnd.IntN(3000)
		if seed < 3 {
			size = windowSize + rnd.IntN(2*windowSize)
		}
		data, read, from := source(rnd, size)
		n := int64(8*size) - rnd.Int64N(8)
		order := Order(rnd.IntN(2))
		want := func(i int64) State {
			bit := uint(i & 7)
			if order == HighFirst {
				bit = 7 - bit
			}
			switch {
			case i >= n || !read[i/8]:
				return Unknown
			case data[i/8]>>bit&1 != 0:
				return Set
			}
			return Clear
		}
		m := &Map{Bits: n, Order: order, Read: from}
		for range 200 {
			if i := rnd.Int64N(n); m.Get(i) != want(i) {
				t.Fatalf("seed %d: bit %d is %d, not %d", seed, i, m.Get(i), want(i))
			}
		}
		if m.Get(n) != Unknown || m.Get(-1) != Unknown {
			t.Fatalf("seed %d: a bit past the end is known", seed)
		}
		first := rnd.Int64N(n)
		length := rnd.Int64N(n-first+20) + 1
		type run struct {
			First, N int64
			State    State
		}
		var got, wanted []run
		err := m.Runs(t.Context(), first, length, func(a, k int64, s State) error { got = append(got, run{a, k, s}); return nil })
		if err != nil {
			t.Fatal(err)
		}
		for i := first; i < first+length; i++ {
			if k := len(wanted) - 1; k >= 0 && wanted[k].State == want(i) {
				wanted[k].N++
			} else {
				wanted = append(wanted, run{i, 1, want(i)})
			}
		}
		if d := cmp.Diff(wanted, got); d != "" {
			t.Fatalf("seed %d: (-want +got):\n%s", seed, d)
		}
		for _, s := range []State{Unknown, Clear, Set} {
			any := false
			for _, r := range wanted {
				any = any || r.State == s
			}
			if m.Any(first, length, s) != any {
				t.Fatalf("seed %d: any of state %d is %v", seed, s, !any)
			}
		}
	}
}

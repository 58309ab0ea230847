package image

import (
	"bytes"
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"fileassay/extract/imap"
)

// A layer of random pieces holds what they hold, and tells where it lies.
func TestLayer(t *testing.T) {
	const S = 512
	rnd := rand.New(rand.NewPCG(31, 7))
	for range 200 {
		data := pattern(64 * S)
		m := mustMap(t, rng(0, 20*S, imap.Read), rng(20*S, 3*S, imap.Failed), rng(23*S, 41*S, imap.Read))
		r := New(bytes.NewReader(data), 64*S, m, Options{})
		want := make([]int64, 0, 64) // for each sector of the layer, that of the image; negative where there is none
		var runs Runs
		at := rnd.Perm(8) // of 8 sectors each
		for _, p := range at[:1+rnd.IntN(7)] {
			n := 1 + rnd.Int64N(8)
			if rnd.IntN(3) == 0 {
				want = append(want, -1)
			}
			runs = append(runs, Run{int64(len(want)) * S, int64(p) * 8 * S, n * S})
			for k := range n {
				want = append(want, int64(p)*8+k)
			}
		}
		if rnd.IntN(3) == 0 {
			want = append(want, -1)
		}
		v := r.Layer(runs, int64(len(want))*S)
		for range 40 {
			off := rnd.Int64N(int64(len(want)) * S)
			b := make([]byte, 1+rnd.Int64N(int64(len(want))*S-off))
			_, err := v.ReadAt(b, off)
			first := int64(-1)
			for i := range b {
				k := want[(off+int64(i))/S]
				if k < 0 || k >= 20 && k < 23 {
					first = off + int64(i)
					break
				}
				if err == nil && b[i] != data[k*S+(off+int64(i))%S] {
					t.Fatalf("%v: another byte at %d of %d from %d", runs, i, len(b), off)
				}
			}
			unread, is := errors.AsType[*UnreadError](err)
			if (err != nil) != (first >= 0) || err != nil && (!is || unread.Offset != v.Origin(first)) {
				t.Fatalf("%v: [%d, +%d): %v, want the first unread byte at %d", runs, off, len(b), err, first)
			}
			origin := v.Origin(off)
			if k := want[off/S]; k >= 0 && origin != k*S+off%S || k < 0 && off%S > 0 && origin != Elsewhere {
				t.Fatalf("%v: byte %d lies at %d", runs, off, origin)
			}
			pos := off
			for p := range runs.Each(off, int64(len(b))) {
				if p.Offset != pos || p.Length <= 0 || p.Image != Elsewhere && p.Image != v.Origin(p.Offset) {
					t.Fatalf("%v: %+v at %d", runs, p, pos)
				}
				pos += p.Length
			}
			if pos != off+int64(len(b)) {
				t.Fatalf("%v: ends at %d of %d", runs, pos, off+int64(len(b)))
			}
		}
	}
	for _, off := range []int64{math.MinInt64, -5, 0, math.MaxInt64} {
		for p := range (Runs{{0, 7, 9}}).Each(off, math.MaxInt64) {
			if p.Length <= 0 {
				t.Errorf("%d: %+v", off, p)
			}
		}
	}
}

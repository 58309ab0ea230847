package partial

import (
	"encoding/binary"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract/ranges"
)

func TestAgainstModel(t *testing.T) {
	for seed := range uint64(2000) {
		rnd := rand.New(rand.NewPCG(seed, 1))
		n := 1 + rnd.IntN(100)
		b := Bytes{Data: make([]byte, n)}
		read := make([]bool, n)
		for i := range n {
			b.Data[i], read[i] = byte(rnd.Uint32()), true
		}
		for range rnd.IntN(8) {
			a, k := rnd.IntN(n+4)-2, rnd.IntN(20)
			b.Lose(a, a+k)
			for i := max(a, 0); i < min(a+k, n); i++ {
				read[i] = false
			}
		}
		var want []ranges.Range
		for i, ok := range read {
			if !ok {
				want = ranges.Append(want, ranges.Range{Start: int64(i), End: int64(i) + 1})
			}
		}
		if d := cmp.Diff(want, b.Unread); d != "" {
			t.Fatalf("seed %d: (-want +got):\n%s", seed, d)
		}
		all := func(off, k int) bool {
			for i := off; i < off+k; i++ {
				if i < 0 || i >= n || !read[i] {
					return false
				}
			}
			return true
		}
		if b.Whole() != all(0, n) {
			t.Fatalf("seed %d: whole is %v", seed, b.Whole())
		}
		from := rnd.IntN(n)
		to := from + rnd.IntN(n-from+1)
		if k := len(b.Before(from, to)); !all(from, k) || from+k < to && all(from, k+1) {
			t.Fatalf("seed %d: %d bytes before the first unread of [%d, %d) of %v", seed, k, from, to, want)
		}
		s := b.Slice(from, rnd.IntN(n-from)+1)
		for off := -1; off <= n; off++ {
			_, ok := b.Byte(off)
			_, ok2 := b.Uint16(binary.LittleEndian, off)
			_, ok4 := b.Uint32(binary.LittleEndian, off)
			v, ok8 := b.Uint64(binary.BigEndian, off)
			if ok != all(off, 1) || ok2 != all(off, 2) || ok4 != all(off, 4) || ok8 != all(off, 8) {
				t.Fatalf("seed %d: a field at %d of %v", seed, off, want)
			}
			if ok8 && v != binary.BigEndian.Uint64(b.Data[off:]) || !ok8 && v != 0 {
				t.Fatalf("seed %d: the number at %d is %x", seed, off, v)
			}
			if in := off >= 0 && off < s.Len(); s.Has(off, 1) != (in && all(from+off, 1)) {
				t.Fatalf("seed %d: byte %d of a part from %d of %v", seed, off, from, want)
			}
		}
	}
}

// Fill takes every byte that the other copy has and this one lacks, and no
// other.
func TestFill(t *testing.T) {
	for seed := range uint64(500) {
		rnd := rand.New(rand.NewPCG(seed, 2))
		n := 1 + rnd.IntN(60)
		var copies [2]Bytes
		for k := range copies {
			copies[k].Data = make([]byte, n)
			for i := range n {
				copies[k].Data[i] = byte(k + 1)
			}
			for range rnd.IntN(6) {
				a := rnd.IntN(n)
				z := a + rnd.IntN(20)
				copies[k].Lose(a, z)
				clear(copies[k].Data[a:min(z, n)])
			}
		}
		b, o := copies[0], copies[1]
		b.Data = slices.Clone(b.Data)
		took := b.Fill(o)
		for i := range n {
			want, fromOther := byte(0), false
			switch {
			case copies[0].Has(i, 1):
				want = 1
			case o.Has(i, 1):
				want, fromOther = 2, true
			}
			if b.Data[i] != want || b.Has(i, 1) != (want != 0) || ranges.Touches(took, int64(i), int64(i)+1) != fromOther {
				t.Fatalf("seed %d: byte %d is %d, want %d; %v was taken", seed, i, b.Data[i], want, took)
			}
		}
	}
}

package ranges

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// colour is a value of a map under test; none is that of a byte without one.
type colour uint8

const none = -1

// model is a map as the plainest thing it could be: the value of each byte.
type model []int

// entries is [start, end) as the longest ranges of one value.
func (m model) entries(start, end int64) []Entry[colour] {
	var out []Entry[colour]
	for i := max(start, 0); i < min(end, int64(len(m))); i++ {
		if m[i] == none {
			continue
		}
		if k := len(out) - 1; k >= 0 && out[k].End == i && int(out[k].Value) == m[i] {
			out[k].End++
		} else {
			out = append(out, Entry[colour]{Range{i, i + 1}, colour(m[i])})
		}
	}
	return out
}

// at does what Map.At says, byte by byte.
func (m model) at(off int64) (value int, end int64) {
	of := func(i int64) int {
		if i < 0 || i >= int64(len(m)) {
			return none
		}
		return m[i]
	}
	value = of(off)
	for end = off + 1; end <= int64(len(m)); end++ {
		if of(end) != value {
			return value, end
		}
	}
	return value, math.MaxInt64
}

func collect(seq func(func(Range, colour) bool)) []Entry[colour] {
	var out []Entry[colour]
	for r, v := range seq {
		out = append(out, Entry[colour]{r, v})
	}
	return out
}

// check builds a map of the entries given, and holds each of its answers to
// the model's; probe gives the places that are asked for.
func check(t *testing.T, given []Entry[colour], size int, probe func(n int) int) {
	t.Helper()
	want := make(model, size)
	for i := range want {
		want[i] = none
	}
	overlap := false
	var m Map[colour]
	for _, e := range given {
		m.Append(e.Range, e.Value)
		for i := max(e.Start, 0); i < e.End; i++ {
			overlap = overlap || want[i] != none
			want[i] = int(e.Value)
		}
	}
	err := m.Settle()
	if over, is := errors.AsType[*OverlapError[colour]](err); is != overlap || is != (err != nil) {
		t.Fatalf("Settle: %v; overlap is %v, of %v", err, overlap, given)
	} else if is {
		if over.A.Start > over.B.Start || over.B.Start >= over.A.End || over.A.Len() <= 0 || over.B.Len() <= 0 {
			t.Fatalf("%v: these do not overlap, or A is the later", over)
		}
		return
	}
	whole := want.entries(0, int64(size))
	same := func(what string, want, got []Entry[colour]) {
		t.Helper()
		if !slices.Equal(want, got) {
			t.Fatalf("%s of %v (-want +got):\n%s", what, given, cmp.Diff(want, got))
		}
	}
	same("All", whole, collect(m.All()))
	end := int64(0)
	if len(whole) > 0 {
		end = whole[len(whole)-1].End
	}
	if m.Len() != len(whole) || m.End() != end {
		t.Fatalf("Len %d, End %d; want %d, %d", m.Len(), m.End(), len(whole), end)
	}
	for range 6 {
		a, z := int64(probe(size+20)-10), int64(probe(size+20)-10)
		same("Over", want.entries(a, z), collect(m.Over(a, z)))
		value, until := want.at(a)
		v, ok, end := m.At(a)
		if ok != (value != none) || ok && int(v) != value || end != until {
			t.Fatalf("At(%d) of %v = %v, %v, %d; want %d, %d", a, given, v, ok, end, value, until)
		}
		if i := m.Find(a); ok {
			if r, v := m.Entry(i); r.Start > a || r.End != until || int(v) != value {
				t.Fatalf("Entry(%d) at %d of %v = %v, %v", i, a, given, r, v)
			}
		}
		cut := m.Cut(z)
		same("Cut", want.entries(0, z), collect(cut.All()))
		cut.Append(Range{MaxOffset - 1, MaxOffset}, 9) // which must not write into m
	}
	same("All after Cut", whole, collect(m.All()))
	m.Drop(1)
	for i, v := range want {
		if v == 1 {
			want[i] = none
		}
	}
	same("Drop", want.entries(0, int64(size)), collect(m.All()))
}

func TestMapAgainstModel(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 6))
	for range 10_000 {
		size, long := 1+rnd.IntN(200), 20
		if rnd.IntN(4) == 0 {
			long = 4 // so that there are several blocks of entries
		}
		var given []Entry[colour]
		for pos := int64(-rnd.IntN(3)); ; {
			pos += int64(max(0, rnd.IntN(14)-10))
			n := int64(rnd.IntN(long) - 1)
			if pos+n > int64(size) {
				break
			}
			given = append(given, Entry[colour]{Range{pos, pos + n}, colour(rnd.IntN(3))})
			pos += n
			if rnd.IntN(200) == 0 {
				pos = 0 // what comes now overlaps
			}
		}
		if rnd.IntN(3) > 0 {
			rnd.Shuffle(len(given), func(i, j int) { given[i], given[j] = given[j], given[i] })
		}
		check(t, given, size, rnd.IntN)
	}
}

func TestMapEnds(t *testing.T) {
	var m Map[colour]
	m.Append(Range{math.MinInt64, 5}, 255)
	m.Append(Range{MaxOffset - 1, math.MaxInt64}, 0)
	m.Append(Range{MaxOffset, MaxOffset + 1}, 1)
	m.Append(Range{7, 3}, 1)
	if err := m.Settle(); err != nil {
		t.Fatal(err)
	}
	want := []Entry[colour]{{Range{0, 5}, 255}, {Range{MaxOffset - 1, MaxOffset}, 0}}
	if diff := cmp.Diff(want, collect(m.Over(math.MinInt64, math.MaxInt64))); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if v, ok, end := m.At(MaxOffset); v != 0 || ok || end != math.MaxInt64 {
		t.Errorf("At the end: %v, %v, %d", v, ok, end)
	}
	for r := range m.All() { // a caller may stop
		if r.Start != 0 {
			t.Errorf("first range is %v", r)
		}
		break
	}
}

// A settled map answers many at once: the race detector looks on.
func TestMapConcurrent(t *testing.T) {
	var m Map[colour]
	for i := range int64(1000) {
		m.Append(Range{(999 - i) * 10, (999-i)*10 + 5}, colour(i))
	}
	if err := m.Settle(); err != nil {
		t.Fatal(err)
	}
	var all sync.WaitGroup
	for range 4 {
		all.Go(func() {
			n := 0
			for r := range m.Over(5, 9000) {
				_, ok, end := m.At(r.Start)
				if cut := m.Cut(r.End); !ok || end != r.End || cut.End() != r.End {
					t.Errorf("range %v", r)
				}
				n++
			}
			if n != 899 {
				t.Errorf("%d ranges", n)
			}
		})
	}
	all.Wait()
}

// FuzzMap takes three bytes a range: start, length and value.
func FuzzMap(f *testing.F) {
	f.Add([]byte{0, 5, 1, 5, 5, 1, 20, 3, 0}, uint64(1))
	f.Add([]byte{20, 3, 0, 0, 5, 1, 4, 1, 2}, uint64(2))
	f.Fuzz(func(t *testing.T, give []byte, seed uint64) {
		var given []Entry[colour]
		for ; len(give) >= 3 && len(given) < 100; give = give[3:] {
			start := int64(int8(give[0]))
			given = append(given, Entry[colour]{Range{start, start + int64(int8(give[1]))}, colour(give[2])})
		}
		check(t, given, 300, rand.New(rand.NewPCG(seed, 0)).IntN)
	})
}

func BenchmarkMap(b *testing.B) {
	const n = 1e6
	var m Map[colour]
	for i := range int64(n) {
		m.Append(Range{i * 20, i*20 + 10}, colour(i))
	}
	rnd := rand.New(rand.NewPCG(7, 8))
	b.Run("At", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			m.At(rnd.Int64N(n * 20))
		}
	})
	b.Run("Over100", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			at := rnd.Int64N(n * 20)
			for range m.Over(at, at+2000) {
			}
		}
	})
}

package imap

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// model is a map as the plainest thing it could be: the state of each byte.
type model []State

func newModel(size int) model {
	m := make(model, size)
	for i := range m {
		m[i] = Skipped
	}
	return m
}

// ranges is [start, start+n) as the longest ranges of one state, past the
// model's end and before its start Skipped.
func (m model) ranges(start, n int64) []Range {
	var out []Range
	for at := start; at < start+n; at++ {
		s := Skipped
		if at >= 0 && at < int64(len(m)) {
			s = m[at]
		}
		if k := len(out) - 1; k >= 0 && out[k].State == s {
			out[k].Length++
		} else {
			out = append(out, Range{at, 1, s})
		}
	}
	return out
}

// random makes disjoint ranges in any order on a drive of size bytes, with the
// model of them.
func random(rnd *rand.Rand, size int) ([]Range, model) {
	m := newModel(size)
	var list []Range
	for pos := 0; ; {
		pos += max(0, rnd.IntN(12)-5)
		n := rnd.IntN(20)
		if pos+n > size {
			break
		}
		s := State(rnd.IntN(4))
		list = append(list, Range{int64(pos), int64(n), s})
		for i := pos; i < pos+n; i++ {
			m[i] = s
		}
		pos += n
	}
	rnd.Shuffle(len(list), func(i, j int) { list[i], list[j] = list[j], list[i] })
	return list, m
}

// checkMap compares every answer of a map with the model's.
func checkMap(t *testing.T, what string, m *Map, want model, size int64) {
	t.Helper()
	got := slices.Collect(m.Over(0, size))
	if diff := cmp.Diff(want.ranges(0, size), got); diff != "" {
		t.Fatalf("%s (-want +got):\n%s", what, diff)
	}
	var tried []Range
	for _, r := range want.ranges(0, size) {
		if r.State != Skipped {
			tried = append(tried, r)
		}
	}
	if diff := cmp.Diff(tried, slices.Collect(m.Ranges())); diff != "" {
		t.Fatalf("%s: Ranges (-want +got):\n%s", what, diff)
	}
	if m.Len() != len(tried) {
		t.Fatalf("%s: Len %d, want %d", what, m.Len(), len(tried))
	}
}

func TestAgainstModel(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	for range 1500 {
		size := 1 + rnd.IntN(300)
		list, want := random(rnd, size)
		m, err := New(list)
		if err != nil {
			t.Fatal(err)
		}
		checkMap(t, "New", m, want, int64(size))
		end := int64(0)
		for _, r := range list {
			if r.Length > 0 {
				end = max(end, r.End())
			}
		}
		if m.End() != end {
			t.Fatalf("End %d, want %d", m.End(), end)
		}

		for range 20 {
			start, n := int64(rnd.IntN(size+40)-20), int64(rnd.IntN(size+40)-5)
			part := want.ranges(start, n)
			if diff := cmp.Diff(part, slices.Collect(m.Over(start, n))); diff != "" {
				t.Fatalf("Over(%d, %d) (-want +got):\n%s", start, n, diff)
			}
			var tally Tally
			for _, r := range part {
				tally[r.State] += r.Length
			}
			if got := m.Tally(start, n); got != tally || got.Total() != max(n, 0) {
				t.Fatalf("Tally(%d, %d) = %v, want %v", start, n, got, tally)
			}
			s, ok := m.Uniform(start, n)
			if ok != (len(part) <= 1) || ok && len(part) == 1 && s != part[0].State {
				t.Fatalf("Uniform(%d, %d) = %v, %v of %v", start, n, s, ok, part)
			}
		}

		trusted := slices.Clone(want)
		for i, s := range trusted {
			if s == Doubtful {
				trusted[i] = Read
			}
		}
		checkMap(t, "TrustDoubtful", m.TrustDoubtful(), trusted, int64(size))

		cut := rnd.IntN(size + 20)
		shorter := slices.Clone(want)
		for i := cut; i < size; i++ {
			shorter[i] = Skipped
		}
		checkMap(t, "Cut", m.Cut(int64(cut)), shorter, int64(size))
		if got := m.Cut(int64(cut)).End(); got != min(end, int64(cut)) {
			t.Fatalf("Cut(%d).End() = %d of %d", cut, got, end)
		}

		for _, sector := range []int64{0, 1, 2, 8, 16, 64, 1000} {
			drive := int64(size + rnd.IntN(20) - 10)
			wide := outward(want, sector, drive)
			checkMap(t, "Outward", m.Outward(sector, drive), wide, int64(size)+20)
		}

		// any ranges, overlapping each other and past both ends
		var over []Range
		laid := append(slices.Clone(want), newModel(40)...)
		for range rnd.IntN(6) {
			r := Range{int64(rnd.IntN(size+20) - 10), int64(rnd.IntN(30) - 2), State(rnd.IntN(4))}
			over = append(over, r)
			for i := max(r.Start, 0); i < r.End(); i++ {
				laid[i] = max(laid[i], r.State)
			}
		}
		before := slices.Clone(over)
		checkMap(t, "With", m.With(over), laid, int64(len(laid)))
		if diff := cmp.Diff(before, over); diff != "" {
			t.Fatalf("With changed what it was given:\n%s", diff)
		}
		checkMap(t, "after all", m, want, int64(size)) // none of it changed m
	}
}

// outward does what Map.Outward says, byte by byte.
func outward(m model, sector, drive int64) model {
	out := newModel(int(max(drive, 0)))
	sector = max(sector, 1)
	for at := int64(0); at < drive; at += sector {
		worst := Read
		for i := at; i < min(at+sector, drive); i++ {
			if i < int64(len(m)) {
				worst = max(worst, m[i])
			} else {
				worst = max(worst, Skipped)
			}
		}
		for i := at; i < min(at+sector, drive); i++ {
			out[i] = worst
		}
	}
	return out
}

func TestOutwardSectors(t *testing.T) {
	tests := []struct {
		name         string
		sector, size int64
		give, want   []Range
	}{
		{"whole sectors stay", 512, 4096, []Range{{0, 1024, Read}, {1024, 512, Failed}}, []Range{{0, 1024, Read}, {1024, 512, Failed}}},
		{"one unread byte takes its sector", 512, 2048, []Range{{0, 700, Read}, {700, 1, Failed}, {701, 1347, Read}},
			[]Range{{0, 512, Read}, {512, 512, Failed}, {1024, 1024, Read}}},
		{"512-byte reads on a drive of 4096", 4096, 16384, []Range{{0, 8192, Read}, {8192, 512, Failed}, {8704, 7680, Read}},
			[]Range{{0, 8192, Read}, {8192, 4096, Failed}, {12288, 4096, Read}}},
		{"what is not covered is skipped, and worse than read", 4096, 8192, []Range{{0, 4608, Read}}, []Range{{0, 4096, Read}}},
		{"failed is worse than skipped", 512, 512, []Range{{0, 100, Read}, {300, 10, Failed}}, []Range{{0, 512, Failed}}},
		{"doubtful is better than skipped", 512, 1024, []Range{{0, 100, Read}, {100, 412, Doubtful}, {512, 1, Doubtful}}, []Range{{0, 512, Doubtful}}},
		{"the drive ends inside a sector", 512, 1000, []Range{{0, 1000, Read}}, []Range{{0, 1000, Read}}},
		{"the last, short sector is one sector", 512, 1000, []Range{{0, 600, Read}, {600, 400, Failed}}, []Range{{0, 512, Read}, {512, 488, Failed}}},
		{"past the drive's end", 512, 1024, []Range{{0, 4096, Read}}, []Range{{0, 1024, Read}}},
		{"nothing", 512, 1024, nil, nil},
		{"no drive", 512, 0, []Range{{0, 512, Read}}, nil},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			m, err := New(test.give)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(test.want, slices.Collect(m.Outward(test.sector, test.size).Ranges())); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestNewRefuses(t *testing.T) {
	for _, r := range []Range{{-1, 5, Read}, {0, -1, Read}, {math.MaxInt64 - 1, 5, Read}, {maxOffset, 1, Read}, {0, 5, State(4)}} {
		if _, err := New([]Range{r}); err == nil {
			t.Errorf("New(%v) gave no error", r)
		}
	}
	if _, err := New([]Range{{0, maxOffset, Failed}}); err != nil {
		t.Error(err)
	}
	for _, pair := range [][2]Range{
		{{0, 10, Read}, {9, 1, Read}},
		{{0, 10, Skipped}, {9, 1, Read}},
		{{5, 1, Failed}, {0, 6, Skipped}},
		{{5, 1, Failed}, {5, 1, Failed}},
	} {
		_, err := New(pair[:])
		if over, ok := err.(*OverlapError); !ok || over.A.Start > over.B.Start {
			t.Errorf("New(%v) = %v, want an OverlapError", pair, err)
		}
	}
}

// Queries at the ends of what an offset can be stay in order and end.
func TestQueriesAtTheEnds(t *testing.T) {
	m := All(1 << 40)
	tests := []struct {
		start, length int64
		want          []Range
	}{
		{1<<40 - 1, math.MaxInt64, []Range{{1<<40 - 1, 1, Read}, {1 << 40, math.MaxInt64 - 1<<40, Skipped}}},
		{math.MaxInt64 - 1, 5, []Range{{math.MaxInt64 - 1, 1, Skipped}}},
		{math.MaxInt64, 5, nil},
		{math.MinInt64, 5, []Range{{math.MinInt64, 5, Skipped}}},
		{0, math.MinInt64, nil},
	}
	for _, test := range tests {
		if diff := cmp.Diff(test.want, slices.Collect(m.Over(test.start, test.length))); diff != "" {
			t.Errorf("Over(%d, %d) (-want +got):\n%s", test.start, test.length, diff)
		}
	}
	for r := range m.Over(0, 1<<41) { // a caller may stop
		if r.State != Read {
			t.Errorf("first range is %v", r)
		}
		break
	}
	if m := All(-5); m.Len() != 0 || m.End() != 0 {
		t.Error("All(-5) claims something")
	}
	var zero Map
	if s, ok := zero.Uniform(0, 1<<50); s != Skipped || !ok {
		t.Error("the zero Map does not say that nothing was read")
	}
}

func TestStateWords(t *testing.T) {
	for s := Read; s <= Failed; s++ {
		if got, ok := ParseState(s.String()); !ok || got != s {
			t.Errorf("ParseState(%q) = %v, %v", s, got, ok)
		}
	}
	for _, word := range []string{"", "Read", "bad", "state 4", "read "} {
		if _, ok := ParseState(word); ok {
			t.Errorf("ParseState(%q) is a state", word)
		}
	}
	if got := State(9).String(); got != "state 9" {
		t.Errorf("State(9) is %q", got)
	}
}

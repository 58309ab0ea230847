package extract

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestPaths(t *testing.T) {
	type folder struct {
		name  string
		above int
	}
	long := strings.Repeat("n", 1000)
	folders := map[int]folder{
		2: {"Plates", 1}, 3: {"2019", 2},
		10: {"adrift", 99},
		20: {"ring", 22}, 21: {"of", 20}, 22: {"three", 21}, 23: {"beside it", 21}, 24: {"itself", 24},
		30: {long, 1}, 31: {long, 30}, 32: {long, 31}, 33: {long, 32}, // 4003 bytes
		34: {strings.Repeat("n", 92), 33}, 35: {strings.Repeat("n", 93), 33}, // the limit, and a byte more
		36: {"n", 34}, 37: {"n", 35}, 38: {"n", 37},
	}
	numbers := []int{2, 3, 10, 20, 21, 22, 23, 24, 38, 37, 36, 35, 34, 33, 32, 31, 30}
	p := NewPaths(slices.Values(numbers), 1, func(k int) uint64 { return uint64(k) }, func(k int) (string, int, bool) {
		f, ok := folders[k]
		return f.name, f.above, ok
	})
	deepest := strings.Repeat(long+"/", 4) + strings.Repeat("n", 92)
	for _, test := range []struct {
		folder, top int
		want        string
		deep        bool
	}{
		{1, 1, "f", false},
		{2, 1, "Plates/f", false},
		{3, 1, "Plates/2019/f", false},
		{10, 99, "?/99/adrift/f", false},
		{99, 99, "?/99/f", false},
		{20, 20, "?/20/f", false},
		{21, 20, "?/20/of/f", false},
		{22, 20, "?/20/of/three/f", false},
		{23, 20, "?/20/of/beside it/f", false},
		{24, 24, "?/24/f", false},
		{34, 1, deepest + "/f", false},
		{35, 1, "?/35/f", true},
		{36, 1, "?/36/f", true},
		{38, 1, "?/38/f", true},
	} {
		n := p.Namer()
		got, deep := n.Path(test.folder, "f")
		if got != test.want || deep != test.deep || n.Top(test.folder) != test.top {
			t.Errorf("%d: %q, deep %v, from %d; want %q, %v, %d", test.folder, got, deep, n.Top(test.folder), test.want, test.deep, test.top)
		}
	}
	if len(deepest) != PathLimit {
		t.Errorf("%d bytes", len(deepest))
	}
	n := p.Namer() // one that is asked again and again
	var got []string
	for _, k := range []int{3, 3, 1, 35, 3} {
		got = append(got, n.Folder(k))
	}
	if d := cmp.Diff([]string{"Plates/2019", "Plates/2019", "", "?/35", "Plates/2019"}, got); d != "" {
		t.Error(d)
	}
}

// BenchmarkPaths makes the path of a file in each of a million folders, one in
// the other.
func BenchmarkPaths(b *testing.B) {
	const depth = 1 << 20
	for b.Loop() {
		p := NewPaths(func(yield func(int) bool) {
			for k := range depth {
				if !yield(k + 1) {
					return
				}
			}
		}, 0, func(k int) uint64 { return uint64(k) }, func(k int) (string, int, bool) { return "d", k - 1, true })
		n := p.Namer()
		total := 0
		for k := range depth {
			path, _ := n.Path(k, "f")
			total += len(path)
		}
		b.ReportMetric(float64(total)/depth, "bytes/path")
	}
}

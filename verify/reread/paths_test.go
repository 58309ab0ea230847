package reread_test

import (
	"path/filepath"
	"testing"

	"fileassay/verify/reread"
	"fileassay/verify/result"
	"fileassay/verify/truthtest/madelist"
)

// planShape plans for n files of a shape.
func planShape(tb testing.TB, s madelist.Shape, n int) func() *reread.Plan {
	tb.Helper()
	name := filepath.Join(tb.TempDir(), "r.jsonl")
	madelist.Write(tb, name, n, s.Of)
	r, err := result.Open(name)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { r.Close() })
	return func() *reread.Plan {
		p := plan(tb, r, reread.Options{})
		if p.Whole != int64(n) {
			tb.Fatalf("%d of %d files", p.Whole, n)
		}
		return p
	}
}

// A plan for files with long paths takes little more room than one for files with
// short ones.
func TestPlanRoom(t *testing.T) {
	const n = 10_000
	var held []int64
	for _, s := range madelist.Shapes() {
		plan := planShape(t, s, n)
		held = append(held, madelist.Held(func() any { return plan() })/n)
	}
	if held[1] > held[0]+100 {
		t.Errorf("%d bytes a file with a short path, %d with a long one", held[0], held[1])
	}
}

// BenchmarkPaths plans for very many damaged files with short and with long paths.
func BenchmarkPaths(b *testing.B) {
	for _, s := range madelist.Shapes() {
		b.Run(s.Name, func(b *testing.B) {
			plan := planShape(b, s, s.Files)
			for b.Loop() {
				b.ReportMetric(float64(madelist.Peak(func() { plan() }))/1e6, "MB-peak")
			}
		})
	}
}

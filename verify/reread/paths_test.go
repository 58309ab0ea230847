package reread_test

import (
	"path/filepath"
	"testing"

	"fileassay/extract/lawtest"
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

// A plan for files with paths of some 2,000 bytes does not hold them whole.
func TestPlanRoom(t *testing.T) {
	const n = 20_000
	plan := planShape(t, madelist.Shapes()[1], n)
	if held := madelist.Held(func() any { return plan() }); held > 1000*n {
		t.Errorf("%d bytes a file", held/n)
	}
}

// BenchmarkPaths plans for very many damaged files with short and with long paths.
func BenchmarkPaths(b *testing.B) {
	for _, s := range madelist.Shapes() {
		b.Run(s.Name, func(b *testing.B) {
			plan := planShape(b, s, s.Files)
			for b.Loop() {
				b.ReportMetric(float64(lawtest.Peak(func() { plan() }))/1e6, "MB-peak")
			}
		})
	}
}

package delivery

import (
	"path/filepath"
	"testing"

	"fileassay/verify/paths"
	"fileassay/verify/result"
	"fileassay/verify/truthtest/madelist"
)

// planOf plans the delivery of n files of a shape.
func planOf(tb testing.TB, s madelist.Shape, n int) func() *plan {
	tb.Helper()
	name := filepath.Join(tb.TempDir(), "r.jsonl")
	madelist.Write(tb, name, n, s.Of)
	res, err := result.Open(name)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { res.Close() })
	return func() *plan {
		p, err := newPlan(tb.Context(), res, &Selection{Verdicts: []result.Verdict{result.Damaged}}, []byte{0}, new(paths.Store))
		if err != nil || len(p.files) != n {
			tb.Fatalf("%d files: %v", n, err)
		}
		return p
	}
}

// A plan of files with long paths takes little more room than one of files with
// short ones.
func TestPlanRoom(t *testing.T) {
	const n = 10_000
	var held []int64
	for _, s := range madelist.Shapes() {
		plan := planOf(t, s, n)
		held = append(held, madelist.Held(func() any { return plan() })/n)
	}
	if held[1] > held[0]+100 {
		t.Errorf("%d bytes a file with a short path, %d with a long one", held[0], held[1])
	}
}

// BenchmarkPlan plans deliveries of very many files with short and with long
// paths. MB-held is what stays for as long as the delivery runs.
func BenchmarkPlan(b *testing.B) {
	for _, s := range madelist.Shapes() {
		b.Run(s.Name, func(b *testing.B) {
			plan := planOf(b, s, s.Files)
			for b.Loop() {
				held := madelist.Held(func() (p any) {
					b.ReportMetric(float64(madelist.Peak(func() { p = plan() }))/1e6, "MB-peak")
					return p
				})
				b.ReportMetric(float64(held)/1e6, "MB-held")
			}
		})
	}
}

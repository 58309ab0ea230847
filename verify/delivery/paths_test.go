package delivery

import (
	"path/filepath"
	"testing"

	"fileassay/extract/lawtest"
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
		p, err := newPlan(res, &Selection{Verdicts: []result.Verdict{result.Damaged}}, []byte{0}, new(paths.Store))
		if err != nil || len(p.files) != n {
			tb.Fatalf("%d files: %v", n, err)
		}
		return p
	}
}

// A plan of files with paths of some 2,000 bytes does not hold them whole.
func TestPlanRoom(t *testing.T) {
	const n = 20_000
	plan := planOf(t, madelist.Shapes()[1], n)
	if held := madelist.Held(func() any { return plan() }); held > 1000*n {
		t.Errorf("%d bytes a file", held/n)
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
					b.ReportMetric(float64(lawtest.Peak(func() { p = plan() }))/1e6, "MB-peak")
					return p
				})
				b.ReportMetric(float64(held)/1e6, "MB-held")
			}
		})
	}
}

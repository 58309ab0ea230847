package delivery

import (
	"path/filepath"
	"runtime"
	"testing"

	"fileassay/verify/paths"
	"fileassay/verify/result"
	"fileassay/verify/truthtest/madelist"
)

// BenchmarkPlan plans deliveries of very many files with short and with long
// paths. MB-held is what stays for as long as the delivery runs.
func BenchmarkPlan(b *testing.B) {
	for _, s := range madelist.Shapes() {
		b.Run(s.Name, func(b *testing.B) {
			name := filepath.Join(b.TempDir(), "r.jsonl")
			madelist.Write(b, name, s.Files, s.Of)
			res, err := result.Open(name)
			if err != nil {
				b.Fatal(err)
			}
			defer res.Close()
			sel := &Selection{Verdicts: []result.Verdict{result.Damaged}}
			held := func() int64 {
				var m runtime.MemStats
				runtime.GC()
				runtime.ReadMemStats(&m)
				return int64(m.HeapAlloc)
			}
			for b.Loop() {
				before := held()
				var p *plan
				peak := madelist.Peak(func() {
					if p, err = newPlan(b.Context(), res, sel, []byte{0}, new(paths.Store)); err != nil || len(p.files) != s.Files {
						b.Fatalf("%d files: %v", s.Files, err)
					}
				})
				b.ReportMetric(float64(peak)/1e6, "MB-peak")
				b.ReportMetric(float64(held()-before)/1e6, "MB-held")
				runtime.KeepAlive(p)
			}
		})
	}
}

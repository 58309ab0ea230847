package reread_test

import (
	"path/filepath"
	"testing"

	"fileassay/verify/reread"
	"fileassay/verify/result"
	"fileassay/verify/truthtest/madelist"
)

// BenchmarkPaths plans for very many damaged files with short and with long paths.
func BenchmarkPaths(b *testing.B) {
	for _, s := range madelist.Shapes() {
		b.Run(s.Name, func(b *testing.B) {
			name := filepath.Join(b.TempDir(), "r.jsonl")
			madelist.Write(b, name, s.Files, s.Of)
			r, err := result.Open(name)
			if err != nil {
				b.Fatal(err)
			}
			defer r.Close()
			for b.Loop() {
				peak := madelist.Peak(func() {
					p, err := reread.New(r, reread.Options{Costs: reread.DefaultCosts()})
					if err != nil || p.Whole != int64(s.Files) {
						b.Fatalf("%d of %d files: %v", p.Whole, s.Files, err)
					}
				})
				b.ReportMetric(float64(peak)/1e6, "MB-peak")
			}
		})
	}
}

package tooltest

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"fileassay/verify"
)

// BenchmarkMillion verifies the image that FILEASSAY_MILLION names, which
// million.sh makes, and reports files in a second and the command's largest
// resident set. Without the variable there is nothing to measure.
func BenchmarkMillion(b *testing.B) {
	image := os.Getenv("FILEASSAY_MILLION")
	if image == "" {
		return
	}
	dir := b.TempDir()
	program := command(b)
	var files, peak int64
	for b.Loop() {
		stdout, high := measured(b, program, "verify", image, "--assume-read", "--force", "--json", "--result", filepath.Join(dir, "result.jsonl"))
		peak = max(peak, high)
		var out verify.Outcome
		if err := json.Unmarshal(stdout, &out); err != nil {
			b.Fatal(err)
		}
		if !out.Clean() {
			b.Fatalf("the volume is whole, but: %+v", out.Summary)
		}
		files += out.Summary.Files.Total()
	}
	b.ReportMetric(float64(files)/b.Elapsed().Seconds(), "files/s")
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N), "s/op")
	b.ReportMetric(float64(peak)/(1<<20), "peak-MiB")
}

package delivery

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"fileassay/extract/lawtest"
	"fileassay/verify/result"
	"fileassay/verify/truthtest/madelist"
)

// BenchmarkMany plans, copies and audits the delivery of a result of a million
// files of 4 KiB. The image is sparse, and nothing but zeros.
func BenchmarkMany(b *testing.B) {
	const n = 1 << 20
	dir := b.TempDir()
	list, image := filepath.Join(dir, "r.jsonl"), filepath.Join(dir, "drive.img")
	madelist.Write(b, list, n, func(i int) madelist.File {
		return madelist.File{ID: uint64(i + 64), Path: fmt.Sprintf("Herbarium/Cabinet %03d/Drawer %04d/specimen sheet %07d.tif", i/20000, i/1000, i), Damaged: i%10 == 0}
	})
	r, err := result.Open(list)
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	if err := os.WriteFile(image, nil, 0o600); err != nil {
		b.Fatal(err)
	}
	if err := os.Truncate(image, r.Image.Size); err != nil {
		b.Fatal(err)
	}
	step := func(name string, do func() error) {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				peak := lawtest.Peak(func() {
					if err := do(); err != nil {
						b.Fatal(err)
					}
				})
				b.ReportMetric(float64(peak)/1e6, "MB-peak")
			}
		})
	}
	all := Selection{Verdicts: []result.Verdict{result.Intact, result.Damaged}}
	bags := 0
	bag := func() string { return filepath.Join(dir, fmt.Sprint("bag", bags)) }
	step("extract", func() error {
		bags++
		out, err := Run(b.Context(), Options{Image: image, Result: list, To: bag(), Selection: all})
		if err == nil && out.Files != n {
			err = fmt.Errorf("%d files of %d", out.Files, n)
		}
		return err
	})
	step("audit", func() error {
		out, err := Audit(b.Context(), AuditOptions{Folder: bag(), Result: list, Selection: all})
		if err == nil && (!out.Clean() || out.Files < n) {
			err = fmt.Errorf("%d files, %d findings", out.Files, len(out.Findings))
		}
		return err
	})
}

package delivery_test

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"fileassay/extract/lawtest"
	"fileassay/extract/ntfs/ntfsimage"
	"fileassay/verify"
	"fileassay/verify/delivery"
	"fileassay/verify/truthtest"
)

// BenchmarkDeep delivers 20,000 folders, one in the other, with a file in every
// fourth.
func BenchmarkDeep(b *testing.B) {
	const folders = 20000
	v := ntfsimage.New(ntfsimage.Params{Cluster: 1024, Clusters: 48 << 10, Records: 26 << 10})
	at := uint64(ntfsimage.Root)
	for k := range folders {
		at = v.AddFolder(at, fmt.Sprintf("folder of %06d", k))
		if k%4 == 0 {
			v.AddFile(at, "sheet.tif", ntfsimage.Stream{Data: ntfsimage.Content(uint64(k), 100), Resident: true})
		}
	}
	v.Finish()
	dir := b.TempDir()
	o := verify.Options{Image: filepath.Join(dir, "drive.img"), Map: filepath.Join(dir, "map.csv"), Result: filepath.Join(dir, "r.jsonl")}
	if err := os.WriteFile(o.Image, v.Image, 0o600); err != nil {
		b.Fatal(err)
	}
	truthtest.WriteMap(b, o.Map, int64(len(v.Image)), nil)
	if _, err := verify.Run(b.Context(), o); err != nil {
		b.Fatal(err)
	}
	n := 0
	for b.Loop() {
		n++
		peak := lawtest.Peak(func() {
			out, err := delivery.Run(b.Context(), delivery.Options{Image: o.Image, Result: o.Result, To: filepath.Join(dir, fmt.Sprint("bag", n))})
			if err != nil || out.Files != folders/4 {
				b.Fatalf("%+v: %v", out, err)
			}
		})
		b.ReportMetric(float64(peak)/1e6, "MB-peak")
	}
}

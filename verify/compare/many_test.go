package compare

import (
	"fmt"
	"path/filepath"
	"testing"

	"fileassay/extract/lawtest"
	"fileassay/verify/result"
	"fileassay/verify/truthtest/madelist"
)

// sheet is a file of a made result of many: a thousand a folder.
func sheet(i int) madelist.File {
	return madelist.File{ID: uint64(i + 64), Path: fmt.Sprintf("Herbarium/Cabinet %03d/Drawer %04d/specimen sheet %07d.tif", i/20000, i/1000, i)}
}

// BenchmarkMany compares results of a million files: where nothing changed, where
// a tenth was won, where all was, and where all were renamed.
func BenchmarkMany(b *testing.B) {
	const n = 1 << 20
	for _, c := range []struct {
		name   string
		before func(i int) madelist.File
	}{
		{"same", sheet},
		{"tenth", func(i int) madelist.File { f := sheet(i); f.Damaged = i%10 == 0; return f }},
		{"all", func(i int) madelist.File { f := sheet(i); f.Damaged = true; return f }},
		{"renamed", func(i int) madelist.File { f := sheet(i); f.Path = "Old " + f.Path; return f }},
	} {
		b.Run(c.name, func(b *testing.B) {
			dir := b.TempDir()
			var r [2]*result.Result
			for k, of := range []func(int) madelist.File{c.before, sheet} {
				name := filepath.Join(dir, fmt.Sprintf("%d.jsonl", k))
				madelist.Write(b, name, n, of)
				var err error
				if r[k], err = result.Open(name); err != nil {
					b.Fatal(err)
				}
				defer r[k].Close()
			}
			for b.Loop() {
				peak := lawtest.Peak(func() {
					if _, err := Results(r[0], r[1], nil); err != nil {
						b.Fatal(err)
					}
				})
				b.ReportMetric(float64(peak)/1e6, "MB-peak")
			}
		})
	}
}

package verify_test

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"fileassay/extract/imap"
	"fileassay/extract/ntfs/ntfsimage"
	"fileassay/verify"
	"fileassay/verify/truthtest"
)

// BenchmarkVerifyNTFS verifies a volume of 100 000 files in 400 folders, with
// one sector of a thousand unread.
func BenchmarkVerifyNTFS(b *testing.B) {
	const folders, files = 400, 250
	v := ntfsimage.New(ntfsimage.Params{Cluster: 1024, Clusters: 300 << 10, Records: 101 << 10})
	for i := range folders {
		f := v.AddFolder(ntfsimage.Root, fmt.Sprintf("Tray %03d", i))
		for k := range files {
			s := ntfsimage.Stream{Data: ntfsimage.Content(uint64(i*files+k), 300+k), Resident: k%4 == 0}
			if k%10 == 1 {
				s.Data, s.Pieces = ntfsimage.Content(uint64(i*files+k), 3000), 3
			}
			v.AddFile(f, fmt.Sprintf("specimen %03d of tray %03d.tif", k, i), s)
		}
	}
	v.Finish()
	dir := b.TempDir()
	o := verify.Options{Image: filepath.Join(dir, "drive.img"), Map: filepath.Join(dir, "map.csv"), Result: filepath.Join(dir, "r.jsonl"), Force: true}
	if err := os.WriteFile(o.Image, v.Image, 0o600); err != nil {
		b.Fatal(err)
	}
	var unread []int64
	for s := int64(500); s < int64(len(v.Image))/512; s += 1000 {
		unread = append(unread, s)
	}
	size := int64(len(v.Image))
	for _, damaged := range []bool{false, true} {
		name := "sound"
		var list []imap.Range
		if damaged {
			name, list = "damaged", truthtest.Sectors(512, unread, imap.Failed)
		}
		truthtest.WriteMap(b, o.Map, size, list)
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				out, err := verify.Run(b.Context(), o)
				if err != nil {
					b.Fatal(err)
				}
				if n := out.Summary.Files.Total(); !damaged && (n != folders*files || !out.Clean()) {
					b.Fatalf("%d files: %+v", n, out.Summary)
				}
			}
			b.ReportMetric(folders*files*float64(b.N)/b.Elapsed().Seconds(), "files/s")
		})
	}
}

// BenchmarkContent tells how much longer a run takes that reads all content
// again: 128 MiB in files of 64 KiB, from memory.
func BenchmarkContent(b *testing.B) {
	const each, files = 64 << 10, 2048
	v := ntfsimage.New(ntfsimage.Params{Clusters: files*each/4096 + 8000, Records: files + 100})
	data := ntfsimage.Content(1, each)
	for i := range files {
		v.AddFile(ntfsimage.Root, fmt.Sprintf("plate %05d.tif", i), ntfsimage.Stream{Data: data})
	}
	v.Finish()
	dir := b.TempDir()
	o := verify.Options{Image: filepath.Join(dir, "drive.img"), Map: filepath.Join(dir, "map.csv"), Result: filepath.Join(dir, "r.jsonl"), Force: true}
	if err := os.WriteFile(o.Image, v.Image, 0o600); err != nil {
		b.Fatal(err)
	}
	truthtest.WriteMap(b, o.Map, int64(len(v.Image)), nil)
	var took [2]time.Duration
	for b.Loop() {
		for i, mode := range []string{"", verify.ContentRead} {
			o.Content = mode
			began := time.Now()
			if out, err := verify.Run(b.Context(), o); err != nil || !out.Clean() {
				b.Fatal(err)
			}
			took[i] += time.Since(began)
		}
	}
	b.ReportMetric(took[1].Seconds()/took[0].Seconds(), "times")
	b.ReportMetric(float64(b.N)*each*files/(took[1]-took[0]).Seconds()/1e6, "MB/s")
}

package ext

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"testing"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

// million makes a volume of a million files by mke2fs and the kernel's driver,
// once a machine. It needs root.
func million(b *testing.B) string {
	b.Helper()
	img := filepath.Join(os.TempDir(), "fileassay-ext4-million.img")
	if _, err := os.Stat(img); err == nil {
		return img
	}
	run := func(name string, args ...string) {
		if out, err := exec.Command(name, args...).CombinedOutput(); err != nil {
			b.Fatalf("%s: %v: %s", name, err, out)
		}
	}
	part, dir := img+".part", b.TempDir()
	run("truncate", "-s", "8G", part)
	run("mke2fs", "-q", "-F", "-t", "ext4", "-N", "1100000", part)
	run("mount", "-o", "loop,noatime", part, dir)
	for d := range 1000 {
		folder := filepath.Join(dir, fmt.Sprintf("herbarium %02d/drawer %04d", d/50, d))
		if err := os.MkdirAll(folder, 0o755); err != nil {
			b.Fatal(err)
		}
		for i := range 1000 {
			if err := os.WriteFile(filepath.Join(folder, fmt.Sprintf("specimen sheet %05d.tif", i)), make([]byte, 100), 0o644); err != nil {
				b.Fatal(err)
			}
		}
	}
	run("umount", dir)
	if err := os.Rename(part, img); err != nil {
		b.Fatal(err)
	}
	return img
}

// BenchmarkMillion lists a volume of a million files from the page cache. It
// runs where FILEASSAY_TOOLS=1; the aim is 10 s on two cores, 400 MiB. The
// whole command is measured on the same image by
//
//	FILEASSAY_MILLION=/tmp/fileassay-ext4-million.img go test -run '^$' -bench Million ./verify/tooltest
func BenchmarkMillion(b *testing.B) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	path := million(b)
	size, err := image.Size(path)
	if err != nil {
		b.Fatal(err)
	}
	r, err := image.Open(path, imap.All(size), image.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	for b.Loop() {
		v, err := Open(b.Context(), r, 0, 0, extract.Options{Threads: 2})
		if err != nil {
			b.Fatal(err)
		}
		n := 0
		s, err := v.Walk(b.Context(), countFiles(&n))
		if err != nil {
			b.Fatal(err)
		}
		if n < 1_000_000 || !s.Listing.Complete {
			b.Fatalf("%d files, %+v", n, s.Listing)
		}
	}
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	b.ReportMetric(float64(m.Sys)/(1<<20), "MiB-sys")
}

package hfsplus

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

// large builds a volume of n files in folders of 100, in a file.
func large(tb testing.TB, n int) (string, int64) {
	tb.Helper()
	b := newBuilder()
	b.node, b.dataBlocks, b.nextData = 8192, 2*n, firstData
	b.folder(idRootParent, "Herbarium")
	var at uint32
	for i := range n {
		if i%100 == 0 {
			at = b.folder(idRoot, fmt.Sprintf("drawer %06d", i/100))
		}
		b.file(at, fmt.Sprintf("specimen sheet %08d.tif", i), fileSpec{data: b.data(1), size: 3000, mode: modeRegular})
	}
	x := b.build()
	path := filepath.Join(tb.TempDir(), "large.img")
	f, err := os.Create(path)
	if err != nil {
		tb.Fatal(err)
	}
	defer f.Close()
	if err := f.Truncate(x.size); err != nil {
		tb.Fatal(err)
	}
	for off := 0; off < len(x.meta); off += 1 << 20 {
		part := x.meta[off:min(off+1<<20, len(x.meta))]
		zero := true
		for _, c := range part {
			if c != 0 {
				zero = false
				break
			}
		}
		if !zero {
			if _, err := f.WriteAt(part, int64(off)); err != nil {
				tb.Fatal(err)
			}
		}
	}
	return path, x.size
}

func BenchmarkWalk(b *testing.B) {
	path, size := large(b, 500_000)
	runtime.GC()
	for b.Loop() {
		r, err := image.Open(path, imap.All(size), image.Options{})
		if err != nil {
			b.Fatal(err)
		}
		v, err := Open(context.Background(), r, 0, size, extract.Options{})
		if err != nil {
			b.Fatal(err)
		}
		n := 0
		s, err := v.Walk(context.Background(), func(*extract.File) error { n++; return nil })
		if err != nil {
			b.Fatal(err)
		}
		if n != 505_000 || !s.Listing.Complete {
			b.Fatalf("%d entries listed: %+v", n, s.Listing)
		}
		r.Close()
	}
}

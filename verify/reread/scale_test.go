package reread_test

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"fileassay/verify"
	"fileassay/verify/reread"
)

// writeLarge writes a result of n damaged files and n unread ranges.
func writeLarge(tb testing.TB, path string, n int64) {
	tb.Helper()
	f, err := os.Create(path)
	if err != nil {
		tb.Fatal(err)
	}
	w := bufio.NewWriterSize(f, 1<<20)
	const apart = 64 << 10
	size := n * apart
	fmt.Fprintf(w, `{"type":"image","path":"large.img","size":%d,"drive_size":%d,"sector":512,"map":{"read":0,"doubtful":0,"failed":0,"skipped":0},"table":"none","format":1}`+"\n", size, size)
	fmt.Fprintf(w, `{"type":"volume","volume":1,"start":0,"length":%d,"filesystem":"ntfs","label":"","cluster":4096,"listing":{"complete":true,"why":[]},"places":[{"holds":"files","state":"failed","ranges":[`, size)
	for k := int64(0); k < n; k++ {
		if k > 0 {
			w.WriteByte(',')
		}
		fmt.Fprintf(w, "[%d,4096]", k*apart)
	}
	fmt.Fprintf(w, "]}]}\n")
	rnd := rand.New(rand.NewPCG(1, 2))
	for k := int64(0); k < n; k++ {
		suffix := []string{"jpg", "docx", "mp4", "zip", "exe", "dat"}[k%6]
		a, b := rnd.Int64N(n), rnd.Int64N(n)
		fmt.Fprintf(w, `{"type":"file","volume":1,"id":%d,"path":"Folder %d/sheet %d.%s","kind":"file","size":131072,"verdict":"damaged","bytes":{"read":122880,"doubtful":0,"failed":8192,"skipped":0,"unlocated":0},"extents":[[0,%d,65536],[65536,%d,65536]],"damage":[[0,%d,4096,"failed"],[65536,%d,4096,"failed"]],"why":[]}`+"\n",
			k, k%1000, k, suffix, a*apart, b*apart, a*apart, b*apart)
	}
	fmt.Fprintln(w, `{"type":"summary","files":{"intact":0,"damaged":0,"lost":0},"folders":{},"sizes":{},"bytes":{},"listing_complete":true}`)
	if err := w.Flush(); err != nil {
		tb.Fatal(err)
	}
	if err := f.Close(); err != nil {
		tb.Fatal(err)
	}
}

// BenchmarkPlan plans for a million damaged files and a million ranges.
func BenchmarkPlan(b *testing.B) {
	const n = 1_000_000
	path := filepath.Join(b.TempDir(), "large.jsonl")
	writeLarge(b, path, n)
	for _, c := range []struct {
		name   string
		budget time.Duration
	}{{"full", 0}, {"in 100 hours", 100 * time.Hour}} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				runtime.GC()
				r, err := verify.OpenResult(path)
				if err != nil {
					b.Fatal(err)
				}
				p, err := reread.New(r, reread.Options{Costs: reread.DefaultCosts(), Budget: c.budget})
				if err != nil {
					b.Fatal(err)
				}
				r.Close()
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				b.ReportMetric(float64(m.Sys>>20), "MiB-of-system")
				b.ReportMetric(float64(p.Whole), "files")
			}
		})
	}
}

// A smaller one of the same form is planned whole.
func TestLarge(t *testing.T) {
	path := filepath.Join(t.TempDir(), "large.jsonl")
	writeLarge(t, path, 5000)
	r, err := verify.OpenResult(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	p := plan(t, r, reread.Options{})
	if p.Whole != 5000 || p.Files.Missing != 5000 || p.LeftOut != 0 {
		t.Errorf("%d files whole, %d missing, %d left out; want 5000, 5000, 0", p.Whole, p.Files.Missing, p.LeftOut)
	}
}

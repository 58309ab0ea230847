package reread_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"testing"
	"time"

	"fileassay/extract/imap"
	"fileassay/verify/reread"
	"fileassay/verify/result"
	"fileassay/verify/result/resulttest"
)

// shape is a made result: files that each lie in some of many unread ranges.
type shape struct {
	name   string
	files  int64
	ranges int64
	each   int  // ranges of a file
	gates  bool // the last range of each is not content: the file needs it
	within bool // the ranges are one: files lie anywhere in it
}

// shapes are those that a large drive may have, in thousands of files.
var shapes = []shape{
	{name: "two each", files: 1000, ranges: 1000, each: 2},
	{name: "gates", files: 1000, ranges: 1000, each: 2, gates: true},
	{name: "few ranges", files: 1000, ranges: 1, each: 2},
	{name: "fifty each", files: 200, ranges: 1000, each: 50},  // more than a plan takes in: some are left out
	{name: "half as many", files: 500, ranges: 1000, each: 2}, // the most that is ordered by several grains
	{name: "one range", files: 1000, ranges: 1000, each: 2, within: true},
}

// apart is how far the ranges of a shape are from each other, rangeSize how
// long each is.
const (
	apart     = 64 << 10
	rangeSize = 4096
)

// writeLarge writes a result of a shape, with all numbers of it times n.
func writeLarge(tb testing.TB, path string, s shape, n int64) {
	tb.Helper()
	files, ranges := s.files*n, s.ranges*n
	m := resulttest.Made{Image: result.Image{Path: "large.img", Size: ranges * apart}}
	if s.within {
		m.Places = resulttest.Unread(imap.Failed, result.HoldsFiles, [2]int64{0, ranges * apart})
	} else {
		unread := make([][2]int64, ranges)
		for k := range unread {
			unread[k] = [2]int64{int64(k) * apart, rangeSize}
		}
		m.Places = resulttest.Unread(imap.Failed, result.HoldsFiles, unread...)
	}
	m.Stream(tb, path, func(yield func(*result.File) bool) {
		rnd := rand.New(rand.NewPCG(1, 2))
		for k := range files {
			f := &result.File{ID: uint64(k), Verdict: result.Damaged}
			size := int64(0)
			for i := range s.each {
				at := rnd.Int64N(ranges) * apart
				length := int64(apart)
				if s.within {
					at += rnd.Int64N(16) * rangeSize
					length = rangeSize
				}
				if s.gates && i == s.each-1 {
					f.Needs = [][2]int64{{at, rangeSize}}
					break
				}
				f.Extents = append(f.Extents, [3]int64{int64(i) * apart, at, length})
				size += apart
			}
			f.Size = &size
			f.Path = fmt.Sprintf("Folder %d/sheet %d.%s", k%1000, k, []string{"jpg", "docx", "mp4", "zip", "exe", "dat"}[k%6])
			if !yield(f) {
				return
			}
		}
	})
}

// BenchmarkPlan plans for a million damaged files and a million ranges, and for
// other shapes of that size. What it says of memory is of the process; the peak
// is told where the system tells it (proc(5): VmHWM). It is that of the run
// alone; MiB-of-system is the most up to then.
func BenchmarkPlan(b *testing.B) {
	for _, s := range shapes {
		b.Run(s.name, func(b *testing.B) {
			path := filepath.Join(b.TempDir(), "large.jsonl")
			writeLarge(b, path, s, 1000)
			b.Run("full", func(b *testing.B) { planLarge(b, path, reread.Options{}) })
			b.Run("forward", func(b *testing.B) { planLarge(b, path, reread.Options{Forward: true}) })
			b.Run("in 100 hours", func(b *testing.B) { planLarge(b, path, reread.Options{Budget: 100 * time.Hour}) })
			b.Run("in 1000 hours", func(b *testing.B) { planLarge(b, path, reread.Options{Budget: 1000 * time.Hour}) })
		})
	}
}

func planLarge(b *testing.B, path string, o reread.Options) {
	o.Costs = reread.DefaultCosts()
	for b.Loop() {
		b.StopTimer()
		debug.FreeOSMemory()
		clearPeak()
		b.StartTimer()
		r, err := result.Open(path)
		if err != nil {
			b.Fatal(err)
		}
		p, err := reread.New(r, o)
		if err != nil {
			b.Fatal(err)
		}
		r.Close()
		b.StopTimer()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		b.ReportMetric(float64(m.Sys>>20), "MiB-of-system")
		if n := peak(); n > 0 {
			b.ReportMetric(float64(n>>20), "MiB-at-peak")
		}
		b.ReportMetric(float64(p.Whole), "files")
		b.ReportMetric(p.Weight, "weight")
		b.ReportMetric(float64(p.LeftOut), "left-out")
		b.StartTimer()
	}
}

// clearPeak lets the system count the peak of the process's memory anew.
func clearPeak() { _ = os.WriteFile("/proc/self/clear_refs", []byte("5"), 0) }

// peak is the most memory that the process had in use; 0 where unknown.
func peak() int64 {
	text, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0
	}
	for line := range bytes.Lines(text) {
		var n int64
		if _, err := fmt.Sscanf(string(line), "VmHWM: %d kB", &n); err == nil {
			return n << 10
		}
	}
	return 0
}

// Smaller ones of the same forms are planned whole.
func TestLarge(t *testing.T) {
	for _, s := range shapes {
		path := filepath.Join(t.TempDir(), "large.jsonl")
		writeLarge(t, path, s, 5)
		r, err := result.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		p, want := plan(t, r, reread.Options{}), s.files*5
		if got := p.Whole + p.Perhaps; got != want || p.Files.Missing != want || p.LeftOut != 0 {
			t.Errorf("%s: %d files whole, %d missing, %d left out; want %d, %d, 0", s.name, got, p.Files.Missing, p.LeftOut, want, want)
		}
	}
}

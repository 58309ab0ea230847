package imap

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"sync/atomic"
	"testing"
	"time"
)

// writeMap writes a map of n ranges that do not join, on a drive of 4 TB and
// more, in order or not.
func writeMap(b *testing.B, n int, sorted bool) string {
	b.Helper()
	path := filepath.Join(b.TempDir(), "a.map")
	f, err := os.Create(path)
	if err != nil {
		b.Fatal(err)
	}
	w := bufio.NewWriter(f)
	fmt.Fprintln(w, "start,length,state")
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	if !sorted {
		rand.New(rand.NewPCG(3, 4)).Shuffle(n, func(i, j int) { order[i], order[j] = order[j], order[i] })
	}
	for _, i := range order {
		fmt.Fprintf(w, "%d,%d,%s\n", int64(i)*409600, 409600, [...]State{Read, Failed}[i&1])
	}
	if err := w.Flush(); err != nil {
		b.Fatal(err)
	}
	if err := f.Close(); err != nil {
		b.Fatal(err)
	}
	return path
}

// peak samples the bytes that the runtime holds of the system until stop is
// called, which returns their highest number above that at the start.
func peak() (stop func() int64) {
	runtime.GC()
	debug.FreeOSMemory()
	sample := []metrics.Sample{{Name: "/memory/classes/total:bytes"}, {Name: "/memory/classes/heap/released:bytes"}}
	held := func() int64 {
		metrics.Read(sample)
		return int64(sample[0].Value.Uint64() - sample[1].Value.Uint64())
	}
	base := held()
	high := base
	var done atomic.Bool
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for !done.Load() {
			high = max(high, held())
			time.Sleep(time.Millisecond)
		}
		high = max(high, held())
	}()
	return func() int64 { done.Store(true); <-ended; return high - base }
}

// BenchmarkLoad reports what a range of a large map costs: at most 32 bytes at
// the peak, in either order.
func BenchmarkLoad(b *testing.B) {
	for _, c := range []struct {
		name   string
		n      int
		sorted bool
	}{{"1M/sorted", 1e6, true}, {"10M/sorted", 1e7, true}, {"10M/shuffled", 1e7, false}} {
		b.Run(c.name, func(b *testing.B) {
			path := writeMap(b, c.n, c.sorted)
			stop := peak()
			b.ResetTimer()
			for range b.N {
				m, err := Load(path, 0)
				if err != nil {
					b.Fatal(err)
				}
				if m.Len() != c.n {
					b.Fatalf("%d ranges", m.Len())
				}
			}
			b.StopTimer()
			b.ReportMetric(float64(stop())/float64(c.n), "peak-B/range")
			b.ReportMetric(float64(c.n)*float64(b.N)/b.Elapsed().Seconds(), "ranges/s")
		})
	}
}

// BenchmarkQuery shows what a query costs as the map grows a thousandfold:
// ns/op should grow by the ratio of the logarithms (under 2) and what memory
// takes longer to reach, not by the ratio of the sizes.
func BenchmarkQuery(b *testing.B) {
	for _, n := range []int{1e3, 1e6, 1e7} {
		m := &Map{}
		for i := range int64(n) {
			m.emit(Range{i * 8192, 4096, [...]State{Read, Failed}[i&1]})
		}
		rnd := rand.New(rand.NewPCG(5, 6))
		b.Run(fmt.Sprintf("Uniform/%d", n), func(b *testing.B) {
			b.ReportAllocs()
			for range b.N {
				m.Uniform(rnd.Int64N(int64(n)*8192), 4096)
			}
		})
		b.Run(fmt.Sprintf("Over100/%d", n), func(b *testing.B) {
			b.ReportAllocs()
			for range b.N {
				for range m.Over(rnd.Int64N(int64(n)*8192), 50*8192) {
				}
			}
		})
	}
}

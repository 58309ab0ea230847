package imap

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"sync/atomic"
	"testing"
	"time"

	"fileassay/extract"
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

// BenchmarkImport reads a list of ten million lines of another form by a
// recipe.
func BenchmarkImport(b *testing.B) {
	const n = 1e7
	path := filepath.Join(b.TempDir(), "list.txt")
	f, err := os.Create(path)
	if err != nil {
		b.Fatal(err)
	}
	w := bufio.NewWriter(f)
	fmt.Fprintln(w, "; pass 3")
	for i := range int64(n) {
		fmt.Fprintf(w, "%x .. %x : %s\n", i*800, i*800+799, [...]string{"ashore", "at sea"}[i&1])
	}
	if err := w.Flush(); err != nil {
		b.Fatal(err)
	}
	if err := f.Close(); err != nil {
		b.Fatal(err)
	}
	rec := &Recipe{Separator: ".: ", Merge: true, Start: Column{From: 1}, End: Column{From: 2}, Inclusive: true, State: Column{From: 3, To: ToEnd},
		Radix: 16, Unit: "sectors", Comments: []string{";"}, Words: map[string]State{"ashore": Read, "at sea": Skipped}}
	stop := peak()
	for b.Loop() {
		m, err := Import(path, rec, 0)
		if err != nil {
			b.Fatal(err)
		}
		if m.Tally(0, n*800*512)[Read] != n/2*800*512 {
			b.Fatalf("%d ranges", m.Len())
		}
	}
	b.ReportMetric(float64(stop())/n, "peak-B/line")
	b.ReportMetric(n*float64(b.N)/b.Elapsed().Seconds(), "lines/s")
}

// BenchmarkFiller searches an image in the page cache for a filler, and sets
// the time against that of cat IMAGE >/dev/null in the same run: of-cat is the
// search's speed by cat's.
func BenchmarkFiller(b *testing.B) {
	const size = 512 << 20
	path := filepath.Join(b.TempDir(), "drive.img")
	rnd := rand.NewChaCha8([32]byte{1})
	data := make([]byte, size)
	_, _ = rnd.Read(data)
	filler := []byte("UNREADABLE ")
	for at := 0; at < size; at += 1 << 20 { // a sector in each 2048 was not read
		for i := range 512 {
			data[at+i] = filler[i%len(filler)]
		}
	}
	if err := os.WriteFile(path, data, 0o666); err != nil {
		b.Fatal(err)
	}
	f, err := os.Open(path)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	cat, search := time.Duration(0), time.Duration(0)
	for b.Loop() {
		at := time.Now()
		if err := exec.Command("cat", path).Run(); err != nil { // its output is the null device
			b.Fatal(err)
		}
		cat += time.Since(at)
		at = time.Now()
		m, err := FillerSearch{Filler: filler, Sector: 512, State: Failed}.Run(b.Context(), fileSource{f}, size, extract.Options{})
		search += time.Since(at)
		if err != nil {
			b.Fatal(err)
		}
		if n := m.Tally(0, size)[Failed]; n != size/(1<<20)*512 {
			b.Fatalf("%d bytes found", n)
		}
	}
	b.ReportMetric(cat.Seconds()/search.Seconds(), "of-cat")
}

// fileSource reads a file that can be read everywhere.
type fileSource struct{ *os.File }

func (f fileSource) ReadReadable(p []byte, off int64) []Range {
	if n, err := f.ReadAt(p, off); err != nil {
		return []Range{{Start: off + int64(n), Length: int64(len(p) - n), State: Failed}}
	}
	return nil
}

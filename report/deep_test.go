package report

import (
	"fmt"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/lawtest"
	"fileassay/verify/result"
	"fileassay/verify/truthtest/madelist"
	"fileassay/verify/wanted"
)

// deepChains is the list of chains of folders of one-byte names, as deep as a
// path can be told, with a file in each folder.
func deepChains(chains int) (n int, of func(i int) madelist.File) {
	const depth = extract.PathLimit/2 - 4
	return 2 * depth * chains, func(i int) madelist.File {
		c, k := i/(2*depth), i%(2*depth)
		path := fmt.Sprintf("chain%02d", c) + strings.Repeat("/d", k/2)
		f := madelist.File{ID: uint64(i + 64), Path: path, Folder: k%2 == 0}
		if !f.Folder {
			f.Path += "/f.txt"
		}
		return f
	}
}

func openMade(tb testing.TB, n int, of func(i int) madelist.File) *result.Result {
	tb.Helper()
	name := filepath.Join(tb.TempDir(), "made.jsonl")
	madelist.Write(tb, name, n, of)
	r, err := result.Open(name)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { r.Close() })
	return r
}

// An inventory of deep chains has every folder once, tells whole paths, and does
// not hold them.
func TestDeepChains(t *testing.T) {
	n, of := deepChains(4)
	r := openMade(t, n, of)
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	inv, err := NewInventory(r, wanted.Default(), false)
	if err != nil {
		t.Fatal(err)
	}
	runtime.GC()
	runtime.ReadMemStats(&after)
	if held := int64(after.HeapAlloc) - int64(before.HeapAlloc); held > 1000*int64(n) {
		t.Errorf("%d entries hold %d bytes", n, held)
	}
	if len(inv.folders) != n/2+1 || len(inv.rows) != n/2 {
		t.Errorf("%d folders and %d rows of %d entries", len(inv.folders), len(inv.rows), n)
	}
	told := map[string]bool{}
	for i := range inv.rows {
		told[inv.pathOf(inv.rows[i].folder, inv.rows[i].name)] = true
	}
	for i := range n {
		if f := of(i); !f.Folder && !told[f.Path] {
			t.Fatalf("%.40q, %d bytes, is not told", f.Path, len(f.Path))
		}
	}
}

// BenchmarkDeepChains makes the inventory and the page's list of eight deep chains.
func BenchmarkDeepChains(b *testing.B) {
	n, of := deepChains(8)
	r := openMade(b, n, of)
	for b.Loop() {
		peak := lawtest.Peak(func() {
			inv, err := NewInventory(r, wanted.Default(), false)
			if err != nil {
				b.Fatal(err)
			}
			if _, err := inv.pack(); err != nil {
				b.Fatal(err)
			}
		})
		b.ReportMetric(float64(peak)/1e6, "MB-peak")
	}
}

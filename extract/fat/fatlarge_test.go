package fat

import (
	"fmt"
	"testing"

	"fileassay/extract"
	"fileassay/extract/lawtest"
)

// large are volumes at the format's limits, with the number of entries each
// lists.
var large = []struct {
	name    string
	entries int
	build   func(t testing.TB) *fatImage
}{
	// 2 TiB, and a folder of as many slots as one may have (Overview, "FAT
	// Directory Structure": 65536)
	{"2 TiB, 64 Ki entries", 65536 - 2 + 1, func(t testing.TB) *fatImage {
		v := build(t, shape{width: width28, clusters: 1<<26 - 1<<16, spc: 64})
		if v.Size < 2<<40-1<<32 {
			t.Fatalf("%d bytes", v.Size)
		}
		var clusters []uint32
		for i := range uint32(64) {
			clusters = append(clusters, 5000+i)
		}
		f := v.sub(&v.root, "MANY       ", clusters...)
		for i := range uint32(65536 - 2) {
			v.slot(f, short(fmt.Sprintf("N%07dTXT", i), 0x20, 0, 0))
		}
		return v
	}},
	// the longest file in the smallest clusters that number a million, no three
	// of which follow each other
	{"chain of a million clusters", 1, func(t testing.TB) *fatImage {
		v := build(t, shape{width: width28, clusters: 4 << 20, spc: 8})
		var clusters []uint32
		for i := range uint32(1 << 20) {
			clusters = append(clusters, 1<<20+i^1)
		}
		v.chain(clusters...)
		v.slot(&v.root, short("LONG    BIN", 0x20, clusters[0], 0xFFFFFFFF))
		return v
	}},
}

// walkLarge lists a volume and checks that every byte was located.
func walkLarge(t testing.TB, v *fatImage, entries int) {
	vol, err := Open(t.Context(), v.Reader(), 0, v.Size, extract.Options{})
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	survey, err := vol.Walk(t.Context(), func(f *extract.File) error {
		n++
		located := int64(0)
		for _, p := range f.Pieces {
			located += p.Length
		}
		if located != f.Size || f.RecordUnread {
			return fmt.Errorf("%s: %d of %d bytes located, %q", f.Path, located, f.Size, f.Why)
		}
		return nil
	})
	if err != nil || n != entries || !survey.Listing.Complete {
		t.Fatalf("%d entries, want %d (%v), %+v", n, entries, err, survey)
	}
}

func TestLarge(t *testing.T) {
	for _, c := range large {
		t.Run(c.name, func(t *testing.T) { walkLarge(t, c.build(t), c.entries) })
	}
}

// BenchmarkLarge lists the volumes from memory and reports the most bytes that
// were held meanwhile.
func BenchmarkLarge(b *testing.B) {
	for _, c := range large {
		b.Run(c.name, func(b *testing.B) {
			v := c.build(b)
			peak := int64(0)
			for b.Loop() {
				peak = max(peak, lawtest.Peak(func() { walkLarge(b, v, c.entries) }))
			}
			b.ReportMetric(float64(peak)/(1<<20), "peak-MiB")
		})
	}
}

package fat

import (
	"fmt"
	"testing"

	"fileassay/extract"
	"fileassay/extract/lawtest"
)

// buildLarge is a volume of 2 TiB with 64 Ki entries in a folder and a file of
// a million clusters, no three of which follow each other.
func buildLargeExFAT(t testing.TB) *exfatImage {
	v := buildExFAT(t, 1<<24-1<<10, 9, 8)
	if v.Size < 2<<40-1<<30 {
		t.Fatalf("%d bytes", v.Size)
	}
	f := v.sub(&v.root, "many", row(100000, 49)...)
	for i := range 65536 {
		v.put(f, exfatEntry{name: fmt.Sprintf("n%d.txt", i)})
	}
	var clusters []uint32
	for i := range uint32(1 << 20) {
		clusters = append(clusters, 1<<20+i^1)
	}
	v.chain(clusters...)
	v.put(&v.root, exfatEntry{name: "long.bin", first: clusters[0], size: 1 << 37})
	return v
}

// walkLarge lists the volume and checks that every byte was located.
func walkLargeExFAT(t testing.TB, v *exfatImage) {
	vol, err := OpenExFAT(t.Context(), v.Reader(), 0, v.Size, extract.Options{})
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
	if err != nil || n != 65536+2 || !survey.Listing.Complete {
		t.Fatalf("%d entries (%v), %+v", n, err, survey)
	}
}

func TestExFATLarge(t *testing.T) { walkLargeExFAT(t, buildLargeExFAT(t)) }

// BenchmarkLarge lists the volume from memory and reports the most bytes that
// were held meanwhile.
func BenchmarkLargeExFAT(b *testing.B) {
	v := buildLargeExFAT(b)
	peak := int64(0)
	for b.Loop() {
		peak = max(peak, lawtest.Peak(func() { walkLargeExFAT(b, v) }))
	}
	b.ReportMetric(float64(peak)/(1<<20), "peak-MiB")
}

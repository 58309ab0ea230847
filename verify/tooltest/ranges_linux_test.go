package tooltest

import (
	"bufio"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	fixtures "fileassay/extract/fixture"
	"fileassay/extract/imap"
	"fileassay/verify/truthtest"
)

// BenchmarkRanges runs the commands over a drive whose imaging map has ten million
// ranges, in a process of their own each: sectors that were read and that were not
// by turns, behind a small volume of which some content was not read. The image
// is sparse. It reports the time and the largest resident set of each; what they
// should be is 15 s and 700 MB for verify, and 600 MB for the others.
func BenchmarkRanges(b *testing.B) {
	const ranges = 10_000_000
	dir := b.TempDir()
	image, list, result := filepath.Join(dir, "drive.img"), filepath.Join(dir, "map.csv"), filepath.Join(dir, "drive.result.jsonl")
	f := fixtures.Load(b, "v01-ntfs-4k")
	var content []imap.Range
	for _, p := range truthtest.Profiles() {
		if p.Name == "content" {
			content = p.Unread(f, rand.New(rand.NewPCG(10, 7)))
		}
	}
	writeRanges(b, image, list, f, content, ranges)
	program := command(b)
	for _, c := range []struct {
		name string
		args []string
	}{
		{"verify", []string{"verify", image, "--map", list, "--result", result, "--force"}},
		{"report", []string{"report", result, "--html", filepath.Join(dir, "page.html"), "--csv", filepath.Join(dir, "files.csv"), "--force"}},
		{"report for the bench", []string{"report", result, "--for", "bench", "--html", filepath.Join(dir, "bench.html"), "--force"}},
		{"reread", []string{"reread", result, "--list", filepath.Join(dir, "next.csv"), "--html", filepath.Join(dir, "next.html"), "--force"}},
		{"reread within 2 hours", []string{"reread", result, "--budget", "2h", "--list", filepath.Join(dir, "next.csv"), "--force"}},
	} {
		b.Run(c.name, func(b *testing.B) {
			var peak int64
			for b.Loop() {
				_, high := measured(b, program, c.args...)
				peak = max(peak, high)
			}
			b.ReportMetric(b.Elapsed().Seconds()/float64(b.N), "s/op")
			b.ReportMetric(float64(peak)/1e6, "peak-MB")
		})
	}
}

// writeRanges writes a sparse image that begins with a volume, and its imaging map
// of so many ranges.
func writeRanges(b *testing.B, image, list string, f *fixtures.Fixture, content []imap.Range, ranges int) {
	b.Helper()
	const sector = 512
	at := int64(len(f.Image))
	write(b, image, func(w io.Writer) {
		if _, err := w.Write(f.Image); err != nil {
			b.Fatal(err)
		}
	})
	write(b, list, func(w io.Writer) {
		n, pos := 0, int64(0)
		add := func(length int64, s imap.State) {
			fmt.Fprintf(w, "%d,%d,%s\n", pos, length, s)
			pos += length
			n++
		}
		fmt.Fprintln(w, "start,length,state")
		for _, u := range content {
			if u.Start > pos {
				add(u.Start-pos, imap.Read)
			}
			add(u.Length, u.State)
		}
		add(at-pos, imap.Read)
		for n < ranges {
			add(sector, [...]imap.State{imap.Failed, imap.Read, imap.Skipped, imap.Read}[n&3])
		}
		at = pos
	})
	if err := os.Truncate(image, at); err != nil {
		b.Fatal(err)
	}
}

func write(b *testing.B, path string, fill func(w io.Writer)) {
	b.Helper()
	f, err := os.Create(path)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	w := bufio.NewWriter(f)
	fill(w)
	if err := w.Flush(); err != nil {
		b.Fatal(err)
	}
}

package verify_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/deeptest"
	"fileassay/extract/lawtest"
	"fileassay/extract/ntfs/ntfsimage"
	"fileassay/verify"
	"fileassay/verify/result"
	"fileassay/verify/truthtest"
)

// deepOptions verify a volume of chains of folders, one in the other, with a
// file at the end of each chain.
func deepOptions(tb testing.TB, chains, folders int, name string) verify.Options {
	tb.Helper()
	n := chains * (folders + 1)
	v := ntfsimage.New(ntfsimage.Params{Cluster: 1024, Clusters: int64(n)*5/4 + 4096, Records: n + 1024})
	for c := range chains {
		at := uint64(ntfsimage.Root)
		for k := range folders {
			if k == 0 {
				at = v.AddFolder(at, fmt.Sprintf("%s%d", name[1:], c)) // as long as the others
				continue
			}
			at = v.AddFolder(at, name)
		}
		v.AddFile(at, "bottom", ntfsimage.Stream{Data: ntfsimage.Content(uint64(c), 100), Resident: true})
	}
	v.Finish()
	dir := tb.TempDir()
	o := verify.Options{Image: filepath.Join(dir, "drive.img"), Map: filepath.Join(dir, "map.csv"), Result: filepath.Join(dir, "r.jsonl"), Force: true}
	if err := os.WriteFile(o.Image, v.Image, 0o600); err != nil {
		tb.Fatal(err)
	}
	truthtest.WriteMap(tb, o.Map, int64(len(v.Image)), nil)
	return o
}

// What lies deeper than a path can be is listed under its folder's number and says
// so, and the list says how much that is; the list is complete for all that.
func TestDeep(t *testing.T) {
	name := strings.Repeat("d", 40)
	o := deepOptions(t, 2, 300, name)
	out, err := verify.Run(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	if !out.Clean() || out.Summary.Files.Intact != 2 || out.Summary.Folders.Intact != 600 {
		t.Errorf("%+v", out.Summary)
	}
	r, err := result.Open(o.Result)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	deep := int64(0)
	for f, err := range r.Files() {
		if err != nil {
			t.Fatal(err)
		}
		adrift := strings.HasPrefix(f.Path, "?/")
		if says := len(f.Why) == 1 && strings.Contains(f.Why[0], "is longer than 4096 bytes"); says != adrift {
			t.Errorf("%.50q: why %q", f.Path, f.Why)
		}
		if len(f.Path) > extract.PathLimit+1+len(name) {
			t.Errorf("a path of %d bytes", len(f.Path))
		}
		if adrift {
			deep++
		}
	}
	l := r.Volumes[0].Listing
	if want := int64(2 * (301 - deeptest.Shown(name))); deep != want || l.Deep != want || len(l.Why) != 1 || !strings.Contains(l.Why[0], fmt.Sprintf("%d entries lie in folders whose paths are longer", want)) {
		t.Errorf("%d entries stand under a number, want %d; the listing: %+v", deep, want, l)
	}
}

// BenchmarkDeep verifies eight chains of 8,150 folders.
func BenchmarkDeep(b *testing.B) {
	o := deepOptions(b, 8, 8150, "dd")
	for b.Loop() {
		peak := lawtest.Peak(func() {
			if _, err := verify.Run(b.Context(), o); err != nil {
				b.Fatal(err)
			}
		})
		st, err := os.Stat(o.Result)
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(peak)/1e6, "MB-peak")
		b.ReportMetric(float64(st.Size())/1e6, "MB-result")
	}
}

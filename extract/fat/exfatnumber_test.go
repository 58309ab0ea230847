package fat

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
)

// numbers are the numbers and paths of the files of the volume at start.
func exfatNumbers(t *testing.T, d *Disk, start, size int64) []string {
	t.Helper()
	v, err := OpenExFAT(t.Context(), d.Reader(), start, size, extract.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	_, err = v.Walk(t.Context(), func(f *extract.File) error {
		out = append(out, fmt.Sprint(f.ID, " ", f.Path))
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// TestNumbers checks that the numbers of files, and so the paths of what has no
// name, do not depend on where the volume stands in the image.
func TestExFATNumbers(t *testing.T) {
	v := buildExFAT(t, 4000, 9, 0)
	v.chain(200, 202)
	v.put(&v.root, exfatEntry{name: "carex.txt", first: 200, size: 700})
	v.root.clusters = append(v.root.clusters, 50)
	v.chain(v.root.clusters...)
	for i := range 4 { // so that the folder's entry stands in a cluster of its own
		v.put(&v.root, exfatEntry{name: fmt.Sprint("empty ", i)})
	}
	f := v.sub(&v.root, "sheets", 100)
	v.mark(210)
	v.put(f, exfatEntry{name: "betula.tif", flags: flagContiguous, first: 210, size: 300})
	v.chain(300, 301) // a chain without a name
	v.Lose(v.cluster(50), 512)
	want := exfatNumbers(t, v.Disk, 0, v.Size)
	if all := strings.Join(want, "\n"); !strings.Contains(all, fmt.Sprintf("?/%d/betula.tif", v.cluster(100)+1)) || !strings.Contains(all, "?/chain-300") {
		t.Fatalf("nothing without a name was listed:\n%s", all)
	}
	if diff := cmp.Diff(want, exfatNumbers(t, v.Disk.Moved(2048*512), 2048*512, v.Size)); diff != "" {
		t.Errorf("moved by 2048 sectors: %s", diff)
	}
}

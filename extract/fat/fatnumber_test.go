package fat

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
)

// numbers are the numbers and paths of the files of the volume at start.
func numbers(t *testing.T, d *Disk, start, size int64) []string {
	t.Helper()
	v, err := Open(t.Context(), d.Reader(), start, size, extract.Options{})
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
func TestNumbers(t *testing.T) {
	for _, w := range []width{width12, width16, width28} {
		clusters := map[width]uint32{width12: 3000, width16: 5000, width28: 66000}[w]
		v := build(t, shape{width: w, clusters: clusters})
		v.file(&v.root, "CAREX   TXT", "carex in flower.txt", 700, 30, 31)
		f := v.sub(&v.root, "SHEETS     ", 100)
		v.file(f, "BETULA  TIF", "", 600, 200, 201)
		for i := range 12 { // so that the next folder's entry stands in a sector of its own
			v.file(&v.root, fmt.Sprintf("E%02d     TXT", i), "", 0)
		}
		if v.root.fixed == 0 {
			v.root.clusters = append(v.root.clusters, 50)
			v.chain(v.root.clusters...)
		}
		lost := v.sub(&v.root, "LOST       ", 110)
		v.file(lost, "ERICA   TIF", "", 10, 210)
		v.chain(300, 301) // a chain without a name
		entry := v.root.fixed + v.root.at - 32
		if v.root.fixed == 0 {
			entry = v.cluster(50) + v.root.at - 512 - 32
		}
		v.Lose(entry&^511, 512)

		want := numbers(t, v.Disk, 0, v.Size)
		if all := strings.Join(want, "\n"); !strings.Contains(all, fmt.Sprintf("?/%d/ERICA.TIF", v.cluster(110)+1)) || !strings.Contains(all, "?/chain-300") {
			t.Fatalf("FAT%d: nothing without a name was listed:\n%s", w, all)
		}
		if diff := cmp.Diff(want, numbers(t, v.Disk.Moved(63*512), 63*512, v.Size)); diff != "" {
			t.Errorf("FAT%d: moved by 63 sectors: %s", w, diff)
		}
	}
}

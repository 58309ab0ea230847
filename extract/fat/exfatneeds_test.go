package fat

import (
	"context"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// The needs of everything lead from the boot sector to every file's place, by
// folders and the parts of the table that matter alone.
func TestExFATNeedsLead(t *testing.T) {
	v, _ := sheets(t)
	open := func(r *image.Reader) (extract.Filesystem, error) {
		return OpenExFAT(context.Background(), r, 0, v.Size, extract.Options{})
	}
	r, read := v.Lead(t, open)
	lines := func(r *image.Reader) []string {
		fs, err := open(r)
		if err != nil {
			t.Fatal(err)
		}
		var out []string
		if _, err := fs.Walk(context.Background(), func(f *extract.File) error { out = append(out, v.line(f)); return nil }); err != nil {
			t.Fatal(err)
		}
		return out
	}
	if d := cmp.Diff(lines(v.Reader()), lines(r)); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if most := int64(24 * 512); read > most {
		t.Errorf("%d bytes were read, more than %d", read, most)
	}
}

// Of a volume that is open the place of the table is settled: what is listed of
// its root needs the root's own sectors, and no proof of the table.
func TestRootNeeds(t *testing.T) {
	v, _ := sheets(t)
	root := v.cluster(v.RootCluster)
	v.Lose(v.tableAt(0), 512)
	v.Lose(root, 512) // the folder ends in the next
	_, l, _ := listExFAT(t, v)
	if d := cmp.Diff([]ranges.Range{{Start: root, End: root + v.ClusterSize}}, l.Needs); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

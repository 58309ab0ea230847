package ntfs

import (
	"context"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/deeptest"
	"fileassay/extract/ntfs/ntfsimage"
)

// TestDeep lists chains of folders deeper than a path can be, with names that take as many
// bytes as units, and more. A folder below the system's own stays its own,
// however deep.
func TestDeep(t *testing.T) {
	for _, name := range []string{"d", "標本", strings.Repeat("d", 60)} {
		v := ntfsimage.New(ntfsimage.Params{Cluster: 1024, Clusters: 24 << 10, Records: 10 << 10})
		const folders = 2200
		for i, top := range []uint64{ntfsimage.Root, ntfsimage.Root, recExtend} {
			at := top
			for k := range folders {
				n := name
				if k == 0 && top == recExtend {
					n = "$" + name // as all that the system has there
				}
				if k == 0 && i == 1 {
					n = strings.ReplaceAll(name, name[:1], "e") // as long
					if name[0] >= 0x80 {
						n = "標木"
					}
				}
				at = v.AddFolder(at, n)
			}
			v.AddFile(at, "bottom", ntfsimage.Stream{Data: ntfsimage.Content(uint64(i), 100), Resident: true})
		}
		v.Finish()
		fs, err := Open(context.Background(), reader(t, v.Image), 0, int64(len(v.Image)), extract.Options{Threads: 2})
		if err != nil {
			t.Fatal(err)
		}
		if deep, want := deeptest.List(t, fs, 2, folders), 2*(folders+1-deeptest.Shown(name)); deep != want {
			t.Errorf("%d entries do not show their whole path, want %d", deep, want)
		}
	}
}

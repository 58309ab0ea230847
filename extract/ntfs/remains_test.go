package ntfs

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/ntfs/ntfsimage"
)

// With the boot sector and its copy unread a volume is listed by its table, and
// proved where the mirror and the bitmap say the same of its shape.
func TestRemains(t *testing.T) {
	for _, p := range []ntfsimage.Params{{}, {Cluster: 512, Clusters: 4000}, {Cluster: 1024, Clusters: 3000, Fragments: 9, RunsPerRecord: 1, Record: 4096, Records: 256},
		{Cluster: 2048, Clusters: 1000, Index: 2048}, {Cluster: 64 << 10, Clusters: 60}} {
		v := ntfsimage.New(p)
		want := populate(v)
		inner := ntfsimage.New(ntfsimage.Params{Cluster: 1024, Clusters: 200})
		inner.AddFile(root, "of the volume inside", ntfsimage.Stream{Data: []byte("x"), Resident: true})
		inner.Finish()
		want["inner.img"] = inner.Image
		v.AddFile(root, "inner.img", ntfsimage.Stream{Data: inner.Image})
		img := v.Finish().Image
		size := int64(v.P.Record)
		boot := []span{{0, 512}, {int64(len(img)) - 512, 512}}
		first, mirror := span{v.RecordAt(0), size}, span{v.At(v.Mirror), size}
		for _, c := range []struct {
			name   string
			unread []span
			opens  bool
			proved bool
		}{
			{"boot sectors", nil, true, true},
			{"mirror too", []span{mirror}, true, false},
			{"record 0 too", []span{first}, true, false},
			{"bitmap's record too", []span{{v.RecordAt(6), size}}, true, false},
			{"record 0 and mirror too", []span{first, mirror}, false, false},
		} {
			t.Run(fmt.Sprintf("cluster %d, %s", v.P.Cluster, c.name), func(t *testing.T) {
				r := reader(t, img, append(boot, c.unread...)...)
				if _, err := Open(context.Background(), r, 0, int64(len(img)), extract.Options{}); err == nil {
					t.Fatal("opened by a boot sector")
				}
				v, err := OpenRemains(context.Background(), r, 0, int64(len(img)), extract.Options{Threads: 2})
				if err != nil != !c.opens {
					t.Fatal(err)
				}
				if err != nil {
					return
				}
				l, err := listOpen(v)
				if err != nil {
					t.Fatal(err)
				}
				for path, b := range want {
					if c.proved {
						l.holds(t, img, path, b)
					} else if f := l.file(t, path); !f.RecordUnread && !f.NameOnly {
						t.Errorf("proved: %+v", f)
					}
				}
				if said := strings.Contains(strings.Join(l.Why, "\n"), "another volume may have been made"); said == c.proved {
					t.Errorf("%q", l.Why)
				}
			})
		}
	}
}

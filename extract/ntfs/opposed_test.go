package ntfs

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"fileassay/extract/ntfs/ntfsimage"
)

// What was read where a copy of the boot sector puts the file table, and is none,
// contradicts it. Unread it does not, nor does a single record that fails, nor any
// where the boot sector itself was read.
func TestTableAgainstCopy(t *testing.T) {
	v := ntfsimage.New(ntfsimage.Params{Cluster: 1024, Clusters: 1500, Records: 128})
	for n := range uint64(20) {
		v.AddFile(root, fmt.Sprintf("file %d", n), ntfsimage.Stream{Data: ntfsimage.Content(n, 2000)})
	}
	v.Finish()
	size := int64(v.P.Record)
	boot := span{0, 512}
	first, mirror := span{v.RecordAt(0), size}, span{v.At(v.Mirror), size}
	own := span{v.RecordAt(0), 16 * size}
	for _, c := range []struct {
		name           string
		zeroed, unread []span
		proved         bool
	}{
		{"boot sector", nil, []span{boot}, true},
		{"boot sector and record 0", nil, []span{boot, first}, true},
		{"boot sector; record 0 zeroed", []span{first}, []span{boot}, true},
		{"boot sector; mirror zeroed", []span{mirror}, []span{boot}, true},
		{"boot sector; record 0 and its mirror zeroed", []span{first, mirror}, []span{boot}, false},
		{"boot sector and mirror; record 0 zeroed", []span{first}, []span{boot, mirror}, true},
		{"boot sector, record 0 and its mirror", nil, []span{boot, first, mirror}, true},
		{"nothing; record 0 and its mirror zeroed", []span{first, mirror}, nil, true},
		{"boot sector; all of the system's records zeroed", []span{own}, []span{boot}, false},
	} {
		img := slices.Clone(v.Image)
		for _, z := range c.zeroed {
			clear(img[z.at : z.at+z.n])
		}
		l := list(t, img, c.unread...)
		files, proved := 0, 0
		for path, f := range l.files {
			if strings.HasPrefix(path, "file ") {
				if files++; !f[0].RecordUnread {
					proved++
				}
				if said := strings.Contains(strings.Join(f[0].Why, "\n"), "another volume may have been made in its place"); said == c.proved {
					t.Errorf("unread %s: %s: %q", c.name, path, f[0].Why)
				}
			}
		}
		if files != 20 || proved > 0 != c.proved {
			t.Errorf("unread %s: %d files listed, %d proved", c.name, files, proved)
		}
		if said := strings.Contains(strings.Join(l.Why, "\n"), "where it puts the file table is none"); said == c.proved || said && l.Complete {
			t.Errorf("unread %s: complete %v: %q", c.name, l.Complete, l.Why)
		}
	}
}

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
		opposed        bool // by what was read
		proved         bool // only where the table's own record says where it lies
	}{
		{"boot sector", nil, []span{boot}, false, true},
		{"boot sector and record 0", nil, []span{boot, first}, false, true},
		{"boot sector; record 0 zeroed", []span{first}, []span{boot}, false, true},
		{"boot sector; mirror zeroed", []span{mirror}, []span{boot}, false, true},
		{"boot sector; record 0 and its mirror zeroed", []span{first, mirror}, []span{boot}, true, false},
		{"boot sector and mirror; record 0 zeroed", []span{first}, []span{boot, mirror}, false, false},
		{"boot sector, record 0 and its mirror", nil, []span{boot, first, mirror}, false, false},
		{"nothing; record 0 and its mirror zeroed", []span{first, mirror}, nil, false, false},
		{"boot sector; all of the system's records zeroed", []span{own}, []span{boot}, true, false},
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
				if said := strings.Contains(strings.Join(f[0].Why, "\n"), "another volume may have been made in its place"); said != c.opposed {
					t.Errorf("unread %s: %s: %q", c.name, path, f[0].Why)
				}
			}
		}
		if files != 20 || proved > 0 != c.proved {
			t.Errorf("unread %s: %d files listed, %d proved", c.name, files, proved)
		}
		if said := strings.Contains(strings.Join(l.Why, "\n"), "where it puts the file table is none"); said != c.opposed || said && l.Complete {
			t.Errorf("unread %s: complete %v: %q", c.name, l.Complete, l.Why)
		}
	}
}

// A boot sector that was read with another shape than its copy has costs no more
// than one that was not read, and nothing is proved.
func TestBootAgainstCopy(t *testing.T) {
	build := func() *ntfsimage.Volume {
		v := ntfsimage.New(ntfsimage.Params{})
		for i := range 40 {
			v.AddFile(ntfsimage.Root, fmt.Sprintf("sheet %02d", i), ntfsimage.Stream{Data: ntfsimage.Content(uint64(i), 9000)})
		}
		return v.Finish()
	}
	for name, edit := range map[string]func(b []byte){
		"sectors of a cluster":  func(b []byte) { b[bootClusterSectors] /= 2 },
		"place of the table":    func(b []byte) { b[bootMFT] += 3 },
		"size of a record":      func(b []byte) { b[bootRecordSize]-- },
		"number of its sectors": func(b []byte) { b[bootTotalSectors] -= 8 },
		"place of the mirror":   func(b []byte) { b[bootMFTMirror]++ },
	} {
		v := build()
		edit(v.Image)
		l := list(t, v.Image)
		names := 0
		for path := range l.files {
			if strings.HasPrefix(path, "sheet") {
				names++
			}
			if l.proved(path) {
				t.Errorf("%s: %s is proved", name, path)
			}
		}
		if names != 40 || l.Complete {
			t.Errorf("%s: %d names, complete %v", name, names, l.Complete)
		}
	}
	// both of them against record 0, which the mirror leads to
	v := build()
	for _, at := range []int{0, len(v.Image) - v.P.Sector} {
		v.Image[at+bootMFT] += 3
	}
	if l := list(t, v.Image); l.Complete || !l.says("its own record at") || len(l.paths) != 40 {
		t.Errorf("%q, %+v", l.paths, l.Listing)
	}
}

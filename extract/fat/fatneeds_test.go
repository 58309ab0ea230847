package fat

import (
	"context"
	"fmt"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// The needs of everything lead from the boot sector to every file's place, by
// folders and the parts of the table that matter alone.
func TestNeedsLead(t *testing.T) {
	for _, w := range []width{width12, width16, width28} {
		t.Run(fmt.Sprint(w), func(t *testing.T) {
			v := build(t, shape{width: w, clusters: map[width]uint32{width12: 4000, width16: 60000, width28: 200000}[w]})
			v.file(&v.root, "ONE     TXT", "", 100, 9)
			maps := v.sub(&v.root, "MAPS       ", 20, 3000, 22)
			for i := range uint32(30) { // more than two clusters of slots
				v.file(maps, fmt.Sprintf("SHEET%02d TIF", i), "", 1500, 100+3*i, 3500-i, 101+3*i)
			}
			deep := v.sub(maps, "DEEP       ", 40)
			v.file(deep, "LAST    TXT", "a name that takes several slots.txt", 700, 50, 49)
			open := func(r *image.Reader) (extract.Filesystem, error) {
				return Open(context.Background(), r, 0, v.Size, extract.Options{})
			}
			r, read := v.Lead(t, open)
			fs, err := open(r)
			if err != nil {
				t.Fatal(err)
			}
			want, _ := list(t, v)
			got, l := walk(t, fs.(*Volume))
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
			if l.UnreadRecords != 0 || l.Needs != nil {
				t.Errorf("%+v", l)
			}
			if most := int64(60 * 512); read > most {
				t.Errorf("%d bytes were read, more than %d", read, most)
			}
		})
	}
}

// A table's first entry is asked for as long as nothing proves where the table
// stands, and no longer.
func TestFirstEntryNeeded(t *testing.T) {
	for _, lost := range []bool{true, false} {
		v := build(t, shape{width: width16, clusters: 60000})
		v.file(&v.root, "ONE     TXT", "", 100, 9000)
		s, err := parseFATBoot(v.Read(0, bootSectorSize))
		if err != nil {
			t.Fatal(err)
		}
		for i := range s.Tables {
			if lost || i > 0 {
				v.Lose(s.tableAt(i), 512)
			}
		}
		_, l := list(t, v)
		asked := slices.ContainsFunc(l.Needs, func(n ranges.Range) bool { return n.Start == s.tableAt(0) })
		if asked != lost {
			t.Errorf("lost everywhere %v: asked for %v in %v", lost, asked, l.Needs)
		}
	}
}

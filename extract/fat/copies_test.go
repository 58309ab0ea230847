package fat

import (
	"context"
	"fmt"
	"iter"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/image"
)

// The copies of the boot sectors that volumes of every size of sectors have
// stand in the places that Copies and CopiesExFAT name.
func TestCopies(t *testing.T) {
	const shift = 5 << 20
	for sector := int64(512); sector <= 4096; sector *= 2 {
		v := build(t, shape{width: width28, clusters: 70000, sector: sector})
		x := buildExFAT(t, 4000, uint8(map[int64]int{512: 9, 1024: 10, 2048: 11, 4096: 12}[sector]), 0)
		for _, c := range []struct {
			places iter.Seq[int64]
			sniff  func([]byte, int64) []extract.Candidate
			read   func(off int64, n int) []byte
			want   int64
		}{
			{Copies(shift, v.Size), Sniff, v.Read, shift + 6*sector},
			{CopiesExFAT(shift, x.Size), SniffExFAT, x.Read, shift + 12*sector},
		} {
			var at []int64
			for p := range c.places {
				for _, f := range c.sniff(c.read(p-shift, 4096), p) {
					if f.Start == shift {
						at = append(at, p)
					}
				}
			}
			if diff := cmp.Diff([]int64{c.want}, at); diff != "" {
				t.Errorf("sectors of %d: %s", sector, diff)
			}
		}
	}
}

// A partition that is a little larger or smaller than its volume costs nothing
// where the boot sector is unread.
func TestEndElsewhere(t *testing.T) {
	for _, w := range []width{width12, width16, width28} {
		clusters := map[width]uint32{width12: 4000, width16: 9000, width28: 70000}[w]
		for _, more := range []int64{-1 << 20, -4096, -512, 512, 4096, 1 << 20} {
			v := build(t, shape{width: w, clusters: clusters, spc: 4})
			fillFolders(v, 20)
			whole := entriesOf(t, v, v.Size, Open)
			v.Lose(0, 512)
			end := v.Size + more
			v.Size = max(v.Size, end)
			if diff := cmp.Diff(whole, entriesOf(t, v, end, Open)); diff != "" {
				t.Errorf("%s in %d bytes more: %s", v.kind(), more, diff)
			}
		}
	}
	for _, more := range []int64{-1 << 20, -4096, -512, 512, 4096, 1 << 20} {
		v, _ := sheets(t)
		whole := entriesOf(t, v, v.Size, OpenExFAT)
		v.Lose(0, 512)
		end := v.Size + more
		v.Size = max(v.Size, end)
		if diff := cmp.Diff(whole, entriesOf(t, v, end, OpenExFAT)); diff != "" {
			t.Errorf("exfat in %d bytes more: %s", more, diff)
		}
	}
}

// entriesOf lists a volume in a partition of length bytes, with what stands where.
func entriesOf(t *testing.T, d interface{ Reader() *image.Reader }, length int64, open func(context.Context, *image.Reader, int64, int64, extract.Options) (*Volume, error)) []string {
	t.Helper()
	v, err := open(t.Context(), d.Reader(), 0, length, extract.Options{})
	if err != nil {
		return []string{err.Error()}
	}
	var out []string
	if _, err := v.Walk(t.Context(), func(f *extract.File) error {
		out = append(out, fmt.Sprintf("%s %d %v %v", f.Path, f.Size, f.Pieces, f.RecordUnread))
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return out
}

// A copy of a FAT32 boot sector serves only where a table stands where it puts
// one: both that were read as something else contradict it.
func TestTablesAgainstCopy(t *testing.T) {
	for n := range int64(3) { // tables zeroed
		v := build(t, shape{width: width28, clusters: 70000})
		v.Lose(0, 512)
		for i := range n {
			v.Write(v.tableAt(i), make([]byte, 512))
		}
		if _, err := Open(t.Context(), v.Reader(), 0, v.Size, extract.Options{}); (err == nil) != (n < 2) {
			t.Errorf("%d tables zeroed: %v", n, err)
		}
	}
}

// counted counts the bytes that are read of a disk.
type counted struct {
	*Disk
	bytes int64
}

func (c *counted) ReadAt(p []byte, off int64) (int, error) {
	c.bytes += int64(len(p))
	return c.Disk.ReadAt(p, off)
}

// A large range in which nothing looks like a FAT volume costs no search of all of it.
func TestRebuildIsBounded(t *testing.T) {
	c := &counted{Disk: &Disk{Size: 20 << 30}}
	c.Lose(0, 4096)
	r := image.New(c, c.Size, Map(c.Size, c.Lost()), image.Options{})
	for _, length := range []int64{256 << 20, 4 << 30, 20 << 30} {
		c.bytes = 0
		if _, err := Open(t.Context(), r, 0, length, extract.Options{}); err == nil || c.bytes > firstLook+1<<20 {
			t.Errorf("%d bytes: %v, %d were read", length, err, c.bytes)
		}
	}
}

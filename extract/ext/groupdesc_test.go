package ext

import (
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"fileassay/extract"
)

// TestOpposedGroups holds that nothing of a group is proved whose descriptor, which
// was read, puts the inodes elsewhere than its copy does.
func TestOpposedGroups(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	for _, kind := range []string{"ext2", "ext3"} {
		img := filepath.Join(t.TempDir(), "volume")
		tool(t, "truncate", "-s", "24M", img)
		tool(t, "mke2fs", "-q", "-F", "-t", kind, "-b", "1024", "-O", "^resize_inode", img)
		dir, done := mounted(t, img, "loop")
		for i := range 30 {
			write(t, filepath.Join(dir, fmt.Sprintf("box %02d", i), "sheet"), []byte(fmt.Sprintf("the sheet of box %d", i)))
		}
		done()
		b, err := os.ReadFile(img)
		if err != nil {
			t.Fatal(err)
		}
		v, _ := walk(t, reader(t, b), extract.Options{})
		for _, change := range []int{0, 1, -1, 2} {
			hurt := slices.Clone(b)
			block, _ := descBlock(&v.sb, 0, 0)
			at := v.span(block, 1).Start + int64(v.sb.DescSize) + 8 // bg_inode_table_lo of group 1
			binary.LittleEndian.PutUint32(hurt[at:], uint32(int(binary.LittleEndian.Uint32(hurt[at:]))+change))
			w, files := walk(t, reader(t, hurt), extract.Options{})
			proved := 0
			for _, f := range files {
				if f.Kind == extract.KindFile && f.ID > uint64(v.sb.InodesPerGroup) && f.ID <= 2*uint64(v.sb.InodesPerGroup) && !f.RecordUnread && !f.NameOnly {
					proved++
				}
			}
			if (change == 0) != (proved > 0) || w.listing.Complete != (change == 0) {
				t.Errorf("%s, %+d: %d files of the group are proved, the list is complete: %v", kind, change, proved, w.listing.Complete)
			}
		}
	}
}

package ext

import (
	"fmt"
	"testing"

	"fileassay/extract"
	"fileassay/extract/imap"
)

// headUnread is what is lost where the superblock and all copies of it are
// unread, and of the first group the descriptors, the bitmaps, and blocks of the
// inodes.
func headUnread(v *walked, inodeBlocks uint64) []imap.Range {
	var out []imap.Range
	add := func(block, n uint64) {
		out = append(out, imap.Range{Start: int64(block) * v.bs, Length: int64(n) * v.bs, State: imap.Failed})
	}
	d := &v.groups.list[0]
	add(0, uint64(v.sb.FirstDataBlock)+1+descBlocks(&v.sb))
	add(d.BlockBitmap, 1)
	add(d.InodeBitmap, 1)
	if inodeBlocks > 0 {
		add(d.InodeTable, inodeBlocks)
	}
	for _, g := range v.sb.copyGroups() {
		out = append(out, imap.Range{Start: v.sb.superOffset(g) / 512 * 512, Length: max(v.bs, superblockSize), State: imap.Failed})
	}
	return out
}

// A volume of which neither the superblock nor any copy was read is listed by
// what its folders and inodes say of each other. What is listed is what stands
// there, and its content lies where the whole volume has it; nothing is proved.
func TestGeometry(t *testing.T) {
	opened := 0
	for _, c := range volumes {
		for _, blocks := range []uint64{0, 1, 2, 5} {
			t.Run(fmt.Sprintf("%s, %d blocks of inodes unread", c.name, blocks), func(t *testing.T) {
				img := unpack(t, c.name)
				whole, all := walk(t, reader(t, img), extract.Options{})
				byID := map[uint64]*extract.File{}
				for _, f := range all {
					byID[f.ID] = f
				}
				r := reader(t, img, headUnread(whole, blocks)...)
				v, err := OpenRemains(t.Context(), r, 0, int64(len(img)), extract.Options{})
				if err != nil {
					t.Logf("of %d groups: %v", len(whole.groups.list), err)
					return
				}
				opened++
				if v.bs != whole.bs || v.sb.InodeSize != whole.sb.InodeSize {
					t.Fatalf("blocks of %d, inodes of %d; want %d, %d", v.bs, v.sb.InodeSize, whole.bs, whole.sb.InodeSize)
				}
				if v.sb.metadataCsum() && v.sb.ChecksumSeed != whole.sb.ChecksumSeed {
					t.Errorf("seed %#x, want %#x", v.sb.ChecksumSeed, whole.sb.ChecksumSeed)
				}
				listed, good := map[uint64]bool{}, 0
				s, err := v.Walk(t.Context(), func(f *extract.File) error {
					listed[f.ID] = true
					w := byID[f.ID]
					if w == nil {
						t.Errorf("inode %d is listed as %q, and is of no file", f.ID, f.Path)
						return nil
					}
					if f.Kind != w.Kind {
						t.Errorf("%s is a %s, want a %s", f.Path, f.Kind, w.Kind)
					}
					if f.Kind == extract.KindFile && !f.RecordUnread {
						t.Errorf("%s is proved", f.Path)
					}
					read := *f
					read.RecordUnread = false
					if b, ok := readContent(r, &read); ok && f.Kind == extract.KindFile {
						if want, ok := readContent(r, w); !ok || string(b) != string(want) {
							t.Errorf("the content of %s is not that of %s", f.Path, w.Path)
						}
						good++
					}
					return nil
				})
				if err != nil {
					t.Fatal(err)
				}
				if s.Listing.Complete || len(s.Listing.Why) == 0 {
					t.Error("a list without a superblock is called complete")
				}
				t.Logf("%d of %d inodes listed, %d with all content", len(listed), len(byID), good)
			})
		}
	}
	if opened < 6 {
		t.Errorf("%d volumes were opened without a superblock", opened)
	}
}

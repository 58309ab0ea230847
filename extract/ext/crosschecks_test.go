package ext

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"slices"
	"strings"
	"testing"

	"fileassay/extract"
)

// signGroup gives a group's bitmaps and descriptor the counts and checksums that
// they should have, by bits that an edit made free.
func signGroup(v *walked, img []byte, g uint64, freedBlocks, freedInodes uint16) {
	le := binary.LittleEndian
	block, _ := descBlock(&v.sb, 0, 0)
	d := img[int64(block)*v.bs+int64(g)*int64(v.sb.DescSize):][:v.sb.DescSize]
	le.PutUint16(d[0xC:], le.Uint16(d[0xC:])+freedBlocks)
	le.PutUint16(d[0xE:], le.Uint16(d[0xE:])+freedInodes)
	if !v.sb.metadataCsum() {
		return
	}
	desc := v.groups.list[g]
	put := func(low, high int, at uint64, n uint32) {
		c := crc32c(v.sb.ChecksumSeed, img[int64(at)*v.bs:][:n/8])
		le.PutUint16(d[low:], uint16(c))
		if len(d) >= 64 {
			le.PutUint16(d[high:], uint16(c>>16))
		}
	}
	put(0x18, 0x38, desc.BlockBitmap, v.sb.BlocksPerGroup)
	put(0x1A, 0x3A, desc.InodeBitmap, v.sb.InodesPerGroup)
	le.PutUint16(d[0x1E:], groupDescChecksum(&v.sb, g, d))
}

// Structures that were read and are sound, each for itself, contradict each other:
// the file is not intact, or the list not complete, and says why.
func TestCrossChecks(t *testing.T) {
	le := binary.LittleEndian
	for _, name := range []string{"ext2-1k", "ext4-1k"} {
		sound := unpack(t, name)
		v, all := walk(t, reader(t, sound), walkAll)
		find := func(path string) *extract.File {
			i := slices.IndexFunc(all, func(f *extract.File) bool { return f.Path == path })
			if i < 0 {
				t.Fatalf("%s has no %q", name, path)
			}
			return all[i]
		}
		file, folder := find("Maps/north field.txt"), find("Maps")
		links := func(f *extract.File) func(img []byte) {
			return func(img []byte) {
				raw := rawInode(v, img, uint32(f.ID))
				le.PutUint16(raw[0x1A:], le.Uint16(raw[0x1A:])+1)
				signInode(v, img, uint32(f.ID))
			}
		}
		for _, c := range []struct {
			what string
			edit func(img []byte)
			file string // that says why
			list string // or what the list says
		}{
			{"the inode bitmap calls a named inode free", func(img []byte) {
				g, i := (uint64(file.ID)-1)/uint64(v.sb.InodesPerGroup), (file.ID-1)%uint64(v.sb.InodesPerGroup)
				img[int64(v.groups.list[g].InodeBitmap)*v.bs+int64(i/8)] &^= 1 << (i % 8)
				signGroup(v, img, g, 0, 1)
			}, "free", "that folders name are free by the inode bitmaps"},
			{"the block bitmap calls a block of a file free", func(img []byte) {
				at := uint64(file.Pieces[0].Image/v.bs) - uint64(v.sb.FirstDataBlock)
				g, i := at/uint64(v.sb.BlocksPerGroup), at%uint64(v.sb.BlocksPerGroup)
				img[int64(v.groups.list[g].BlockBitmap)*v.bs+int64(i/8)] &^= 1 << (i % 8)
				signGroup(v, img, g, 1, 0)
			}, "free", "claim blocks that the block bitmaps call free"},
			{"a file has fewer names than links", links(file), "", "1 files have fewer names than their inodes count"},
			{"a folder has fewer folders than links", links(folder), "", "1 folders hold another number of folders"},
			{"a file is larger than the volume has any", func(img []byte) {
				raw := rawInode(v, img, uint32(file.ID))
				le.PutUint32(raw[4:], 1<<31+5)
				signInode(v, img, uint32(file.ID))
				for _, g := range append([]uint64{0}, v.sb.copyGroups()...) {
					s := img[v.sb.superOffset(g):][:superblockSize]
					s[0x64] &^= roLargeFile
					if v.sb.metadataCsum() {
						le.PutUint32(s[0x3FC:], crc32c(^uint32(0), s[:0x3FC]))
					}
				}
			}, "no file as large", "1 inodes contradict themselves"},
		} {
			img := bytes.Clone(sound)
			c.edit(img)
			got, files := walk(t, reader(t, img), walkAll)
			if len(files) != len(all) {
				t.Errorf("%s, %s: %d entries, %d before", name, c.what, len(files), len(all))
			}
			for _, f := range files {
				if f.Size == 0 && !v.sb.metadataCsum() {
					continue // in which a contradiction beside it leaves nothing to rest on
				}
				mine := f.ID == file.ID && c.file != ""
				if f.RecordUnread != mine || mine && !strings.Contains(strings.Join(f.Why, "\n"), c.file) {
					t.Errorf("%s, %s: %q proved %v: %q", name, c.what, f.Path, !f.RecordUnread, f.Why)
				}
			}
			if l := got.listing; c.file == "" && l.Complete || !strings.Contains(fmt.Sprint(l.Why), c.list) {
				t.Errorf("%s, %s: complete %v: %q", name, c.what, l.Complete, l.Why)
			}
		}
	}
}

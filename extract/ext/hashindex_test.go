package ext

import (
	"encoding/binary"
	"slices"
	"strings"
	"testing"

	"fileassay/extract"
)

// TestNameHash holds hashes against those that debugfs tells (dx_hash).
func TestNameHash(t *testing.T) {
	const long = "some_name-that-is-longer-than-thirty-two-bytes.jpg"
	seeded := superblock{}
	for i := range seeded.HashSeed {
		seeded.HashSeed[i] = binary.LittleEndian.Uint32([]byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16}[4*i:])
	}
	for _, c := range []struct {
		sb   *superblock
		kind uint8
		name string
		want uint32
	}{
		{&superblock{}, hashLegacy, "abc", 0x75afd992}, {&seeded, hashLegacy, long, 0xe6e2fa68},
		{&superblock{}, hashHalfMD4, "abc", 0xd196a868}, {&seeded, hashHalfMD4, long, 0x8093ba24},
		{&superblock{}, hashTEA, "abc", 0xb1435ec4}, {&seeded, hashTEA, long, 0x22d62de2},
	} {
		if got := nameHash(c.sb, c.kind, true, []byte(c.name)); got != c.want {
			t.Errorf("hash of kind %d of %s is %#x, want %#x", c.kind, c.name, got, c.want)
		}
	}
}

// Names that the index of their folder puts into another block are listed, and the
// list is not called complete; those of sound folders are where it puts them.
func TestHashIndex(t *testing.T) {
	for _, name := range []string{"ext2-1k", "ext3-4k", "ext4-nocsum"} {
		img := unpack(t, name)
		v, files := walk(t, reader(t, img), walkAll)
		if !v.listing.Complete {
			t.Fatalf("%s: %q", name, v.listing.Why)
		}
		indexed := 0
		for _, f := range files {
			if f.Kind != extract.KindFolder {
				continue
			}
			rec := v.readInode(uint32(f.ID))
			var blocks []uint64
			for _, r := range newMapper(v.layout).mapInode(&rec.inode).Runs {
				for i := range r.Length {
					blocks = append(blocks, r.Physical+i)
				}
			}
			if rec.Flags&inodeIndex == 0 || len(blocks) < 3 {
				continue
			}
			indexed++
			// the second block of names as it was before it was split: with the first one's
			changed := append([]byte{}, img...)
			copy(changed[int64(blocks[2])*v.bs:][:v.bs], img[int64(blocks[1])*v.bs:])
			got, list := walk(t, reader(t, changed), walkAll)
			i := slices.IndexFunc(list, func(o *extract.File) bool { return o.ID == f.ID })
			if why := strings.Join(list[i].Why, "; "); got.listing.Complete || !list[i].EntriesUnread || !strings.Contains(why, "that its index puts elsewhere") {
				t.Errorf("%s, %s: complete %v: %s", name, f.Path, got.listing.Complete, why)
			}
		}
		if indexed == 0 {
			t.Errorf("%s has no folder with an index", name)
		}
	}
}

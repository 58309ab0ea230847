package ext

import (
	"encoding/hex"
	"slices"
	"testing"

	"fileassay/extract"

	"github.com/google/go-cmp/cmp"
)

var walkAll = extract.Options{Threads: 1}

// TestBackupGroups holds the places of the copies against what mke2fs -n
// tells of two sizes. ext4: blockgroup, "Layout" (sparse_super).
func TestBackupGroups(t *testing.T) {
	for _, c := range []struct {
		name string
		sb   superblock
		want []uint64
	}{
		{"2621440 blocks of 4 KiB", superblock{Blocks: 2621440, LogBlockSize: 2, BlocksPerGroup: 32768, RoCompat: roSparseSuper},
			[]uint64{32768, 98304, 163840, 229376, 294912, 819200, 884736, 1605632}},
		{"100 MiB in blocks of 1 KiB", superblock{Blocks: 102400, FirstDataBlock: 1, BlocksPerGroup: 8192, RoCompat: roSparseSuper},
			[]uint64{8193, 24577, 40961, 57345, 73729}},
		{"no sparse_super", superblock{Blocks: 40000, FirstDataBlock: 1, BlocksPerGroup: 8192},
			[]uint64{8193, 16385, 24577, 32769}},
		{"sparse_super2", superblock{Blocks: 40000, FirstDataBlock: 1, BlocksPerGroup: 8192, Compat: compatSparseSuper2, RoCompat: roSparseSuper, BackupGroups: [2]uint32{1, 4}},
			[]uint64{8193, 32769}},
	} {
		var got []uint64
		for g := range c.sb.groups() {
			if g > 0 && c.sb.hasSuper(g) {
				got = append(got, uint64(c.sb.superOffset(g)/c.sb.blockSize()))
			}
		}
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.name, diff)
		}
	}
	var groups []uint64
	for _, g := range usualGroups(400) {
		if sparseGroup(g) {
			groups = append(groups, g)
		}
	}
	if diff := cmp.Diff([]uint64{1, 3, 5, 7, 9, 25, 27, 49, 81, 125, 243, 343}, groups); diff != "" {
		t.Errorf("powers of 3, 5 and 7 (-want +got):\n%s", diff)
	}
}

// TestSniff checks that every superblock of a volume speaks for its start.
func TestSniff(t *testing.T) {
	const shift = 5 << 20
	for _, c := range volumes {
		img := unpack(t, c.name)
		found := 0
		id := hex.EncodeToString(img[superblockAt+0x68:][:16])
		for at := 0; at+4096 <= len(img); at += 512 {
			for _, got := range Sniff(img[at:at+4096], int64(at)+shift) {
				if got.Start != shift {
					// a journal holds superblocks too: there is no volume there
					if _, err := Open(t.Context(), reader(t, img), got.Start-shift, 0, walkAll); err == nil {
						t.Errorf("%s at %d: a volume opens at %d", c.name, at, got.Start-shift)
					}
					continue
				}
				found++
				if got.Start != shift || got.Filesystem != c.filesystem || got.Length > int64(len(img)) || got.At != int64(at)+shift || got.ID == "" || got.ID != id || got.Written == 0 {
					t.Errorf("%s at %d: %+v", c.name, at, got)
				}
			}
		}
		if found == 0 {
			t.Errorf("%s: no superblock found", c.name)
		}
	}
}

func FuzzSuperblock(f *testing.F) {
	for _, c := range volumes {
		f.Add(unpack(f, c.name)[superblockAt : superblockAt+superblockSize])
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		Sniff(b, 1<<40)
		sb, ok := parseSuperblock(b)
		if !ok {
			return
		}
		n := sb.groups()
		if n == 0 || sb.groupFirst(n-1) >= sb.Blocks || sb.groupBlocks(n-1) == 0 {
			t.Fatalf("%d groups of %d blocks: %+v", n, sb.Blocks, sb)
		}
		if tableBlocks(&sb) == 0 || descBlocks(&sb) == 0 {
			t.Fatalf("%+v", sb)
		}
		for _, g := range descCopies(&sb, 0) {
			descBlock(&sb, 0, g)
		}
	})
}

// TestLabel holds that a label that is no text is escaped.
func TestLabel(t *testing.T) {
	img := unpack(t, "ext3-journal")
	sb := append([]byte{}, img[superblockAt:superblockAt+superblockSize]...)
	copy(sb[0x78:], "he\xffdg\x00")
	if got, _ := parseSuperblock(sb); got.Label != `he\xffdg` {
		t.Errorf("label %q", got.Label)
	}
}

// mke2fs says in a copy of revision 0 too in which group it stands: such a copy
// begins no volume of its own.
func TestSniffRevision0(t *testing.T) {
	img := unpack(t, "ext3-journal")
	copies := 0
	for at := range Copies(0, int64(len(img))) {
		window := slices.Clone(img[at:min(at+4096, int64(len(img)))])
		if sb, ok := parseSuperblock(window); !ok || sb.GroupNumber == 0 {
			continue
		}
		copies++
		clear(window[0x4C:0x50])
		for _, c := range Sniff(window, at) {
			if c.Start != 0 {
				t.Errorf("the copy at %d speaks for a volume at %d", at, c.Start)
			}
		}
	}
	if copies == 0 {
		t.Error("no copy stands there")
	}
}

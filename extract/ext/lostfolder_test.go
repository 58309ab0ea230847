package ext

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/imap"

	"github.com/google/go-cmp/cmp"
)

// TestChecksumBackwards checks that uncrc32c undoes crc32c.
func TestChecksumBackwards(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	for n := range 50 {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(rnd.Uint32())
		}
		seed := rnd.Uint32()
		if got := uncrc32c(crc32c(seed, b), b); got != seed {
			t.Fatalf("%d bytes: %08x, want %08x", n, got, seed)
		}
	}
}

// TestLostFolders checks that names outlive the inodes of the folders that
// they stand in.
func TestLostFolders(t *testing.T) {
	for _, name := range []string{"ext2-1k", "ext3-4k", "ext4-1k", "ext4-nocsum", "ext4-metabg", "ext4-super2"} {
		t.Run(name, func(t *testing.T) {
			img := unpack(t, name)
			v, before := walk(t, reader(t, img), extract.Options{})
			folders := map[uint64]bool{rootInode: true}
			for _, f := range before {
				if f.Kind == extract.KindFolder && (f.Path == "Photos" || f.Path == "Counts") {
					folders[f.ID] = true
				}
			}
			if len(folders) != 3 {
				t.Fatalf("folders %v", folders)
			}
			// the sectors of their inodes, and so those of neighbours
			var unread []imap.Range
			lost := map[uint64]bool{}
			for n := range folders {
				block, off := v.recordPlace(uint32(n))
				at := (int64(block)*v.bs + off) &^ 511
				unread = append(unread, imap.Range{Start: at, Length: 512, State: imap.Failed})
			}
			for _, f := range before {
				block, off := v.recordPlace(uint32(f.ID))
				at := int64(block)*v.bs + off
				lost[f.ID] = slices.ContainsFunc(unread, func(u imap.Range) bool { return at >= u.Start && at < u.End() })
			}
			r := reader(t, img, unread...)
			v, files := walk(t, r, extract.Options{})
			got := map[string]*extract.File{}
			for _, f := range files {
				got[f.Path] = f
			}
			for _, f := range before {
				if strings.HasPrefix(f.Path, "Photos/") && !v.sb.metadataCsum() {
					continue // of several blocks without checksums only the first is known
				}
				g := got[f.Path]
				switch {
				case g == nil && lost[f.ID]: // and no inode bears out its folder's entries
				case g == nil:
					t.Errorf("%s is not listed", f.Path)
				case g.NameOnly != lost[f.ID]:
					t.Errorf("%s (inode %d): known by name only: %v %q", f.Path, f.ID, g.NameOnly, g.Why)
				case !g.NameOnly && g.Kind == extract.KindFile:
					if diff := cmp.Diff(f.Pieces, g.Pieces); diff != "" {
						t.Errorf("%s: %s", f.Path, diff)
					}
				}
			}
			if l := v.listing; l.Complete || l.UnreadRecords < 2 { // the root is no file
				t.Errorf("listing %+v", l)
			}
		})
	}
}

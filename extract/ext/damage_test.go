package ext

import (
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/imap"

	"github.com/google/go-cmp/cmp"
)

func countFiles(n *int) func(*extract.File) error {
	return func(*extract.File) error { *n++; return nil }
}

// TestUnknownClose checks that nothing is called whole where neither the
// superblock nor the journal can say whether newer metadata stands in the
// journal, and that all is where the journal says that it is empty.
func TestUnknownClose(t *testing.T) {
	for _, c := range []struct {
		name         string
		journalSuper bool // unread too
		whole        bool
		complete     bool
	}{
		// without a journal nothing is newer, but a change may not be on the drive
		{"ext4-super2", false, true, false},
		{"ext4-nocsum", false, true, false},
		{"ext4-1k", false, true, true},
		{"ext4-1k", true, false, false},
		{"ext3-journal", false, true, true},
		{"ext3-journal", true, false, false},
		{"ext4-journal", true, false, false},
	} {
		img := unpack(t, c.name)
		v, _ := walk(t, reader(t, img), extract.Options{})
		unread := []imap.Range{{Start: superblockAt, Length: superblockSize, State: imap.Failed}}
		if c.journalSuper {
			at, ok := v.journal.place(0)
			if !ok {
				t.Fatalf("%s: no journal", c.name)
			}
			unread = append(unread, imap.Range{Start: at, Length: 512, State: imap.Failed})
		}
		r := reader(t, img, unread...)
		v, files := walk(t, r, extract.Options{})
		whole := 0
		for _, l := range lines(r, files) {
			if !strings.HasPrefix(l, "/") && !strings.HasPrefix(l, "->") && !strings.HasPrefix(l, "not whole") {
				whole++
			}
		}
		l := v.listing
		if whole > 0 != c.whole || l.Complete != c.complete {
			t.Errorf("%s, journal's superblock unread %v: %d files whole, listing %+v", c.name, c.journalSuper, whole, l)
		}
		if c.whole {
			if diff := cmp.Diff(sums(t, c.name), lines(r, files)); diff != "" {
				t.Errorf("%s: files (-kernel +here):\n%s", c.name, diff)
			}
		}
		for _, f := range files {
			if !c.whole && (!f.RecordUnread || !strings.Contains(strings.Join(f.Why, "\n"), "whether the volume was closed is not known")) {
				t.Fatalf("%s: %+v", c.name, f)
			}
		}
	}
}

// TestBackups checks that nothing is lost where the primary superblock and
// descriptors are, as long as copies exist.
func TestBackups(t *testing.T) {
	for _, name := range []string{"ext4-1k", "ext4-super2", "ext4-nocsum", "ext4-metabg", "ext4-journal"} {
		t.Run(name, func(t *testing.T) {
			img := unpack(t, name)
			sb, _ := parseSuperblock(img[superblockAt : superblockAt+superblockSize])
			n := int64(2+descBlocks(&sb)) * sb.blockSize()
			if sb.Incompat&incompatMetaBG != 0 {
				n = 3 * sb.blockSize()
			}
			r := reader(t, img, imap.Range{Start: 0, Length: n, State: imap.Failed})
			v, files := walk(t, r, extract.Options{})
			if diff := cmp.Diff(sums(t, name), lines(r, files)); diff != "" {
				t.Errorf("files (-kernel +here):\n%s", diff)
			}
			if v.sbAt == superblockAt || len(v.notes) == 0 {
				t.Errorf("superblock at %d, notes %q", v.sbAt, v.notes)
			}
			if l := v.listing; l.Complete != v.journal.exists {
				t.Errorf("listing %+v", l)
			}
		})
	}
}

// TestNoJournal checks that the older state is listed where that is asked for,
// and that the listing says so.
func TestNoJournal(t *testing.T) {
	img := unpack(t, "ext4-journal")
	v, _ := walk(t, reader(t, img), extract.Options{NoJournal: true})
	if l := v.listing; l.Complete || !strings.Contains(strings.Join(l.Why, "\n"), "journal") {
		t.Errorf("listing %+v", l)
	}
	if len(v.copies) != 0 {
		t.Errorf("%d blocks of the journal used", len(v.copies))
	}
}

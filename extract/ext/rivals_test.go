package ext

import (
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/imap"

	"github.com/google/go-cmp/cmp"
)

// superUnread is the place of the superblock as one that was not read.
var superUnread = imap.Range{Start: superblockAt, Length: superblockSize, State: imap.Failed}

// wholes counts the files that are proved.
func wholes(files []*extract.File) (n int) {
	for _, f := range files {
		if f.Kind == extract.KindFile && !f.RecordUnread {
			n++
		}
	}
	return n
}

// become makes the superblock copy of a group one of another volume, made made
// seconds later.
func become(v *walked, img []byte, g uint64, made int32) {
	b := img[v.sb.superOffset(g):][:superblockSize]
	b[0x68] ^= 0xFF // UUID
	le := binary.LittleEndian
	le.PutUint32(b[0x108:], uint32(int32(le.Uint32(b[0x108:]))+made))
	if v.sb.metadataCsum() {
		le.PutUint32(b[0x3FC:], crc32c(^uint32(0), b[:0x3FC]))
	}
}

// Where the copies of the superblock speak for two volumes the one made last is
// listed, however many copies the other has, and the other is named. It costs
// nothing where what stands in the place of its descriptors refutes it, else
// nothing is proved.
func TestCopiesOfTwoVolumes(t *testing.T) {
	for _, name := range []string{"ext4-1k", "ext4-nocsum"} {
		img := unpack(t, name)
		v, all := walk(t, reader(t, img), walkAll)
		groups := v.sb.copyGroups()
		if len(groups) < 2 {
			t.Fatalf("%s has copies in groups %v", name, groups)
		}
		for _, g := range groups[1:] { // all but one
			become(v, img, g, -86400*365)
		}
		descs := imap.Range{Start: v.start + 2*v.bs, Length: v.bs, State: imap.Failed}
		for _, c := range []struct {
			unread []imap.Range
			proved bool
		}{
			{[]imap.Range{superUnread}, true}, // the descriptors' checksums are of the newer one
			{[]imap.Range{superUnread, descs}, false},
		} {
			got, files := walk(t, reader(t, img, c.unread...), walkAll)
			if got.sb.UUID != v.sb.UUID || len(files) != len(all) {
				t.Errorf("%s: the volume %x is listed, %d entries; want %x, %d", name, got.sb.UUID, len(files), v.sb.UUID, len(all))
			}
			notes, why := strings.Join(got.Info().Notes, "\n"), strings.Join(got.listing.Why, "\n")
			other := fmt.Sprintf("another %s volume (UUID %02x", v.sb.filesystem(), v.sb.UUID[0]^0xFF)
			if !strings.Contains(notes, other) {
				t.Errorf("%s: the other volume is not named: %s", name, notes)
			}
			if n := wholes(files); n > 0 != c.proved || got.listing.Complete != (c.proved && got.journal.exists) || strings.Contains(why, other) == c.proved {
				t.Errorf("%s, %d ranges unread: %d files are proved, complete %v: %s", name, len(c.unread), n, got.listing.Complete, why)
			}
		}
	}
}

// Of copies made at the same time that volume is taken which most of them speak for.
func TestNewest(t *testing.T) {
	sb := func(id byte, made, written uint32) found {
		return found{superblock: superblock{UUID: [16]byte{id}, MkfsTime: made, WriteTime: written}}
	}
	for _, c := range []struct {
		name   string
		copies []found
		best   byte
		at     uint32
		others string
	}{
		{"one", []found{sb(1, 5, 6)}, 1, 6, ""},
		{"the newest", []found{sb(1, 5, 9), sb(1, 5, 9), sb(2, 6, 7), sb(1, 5, 9)}, 2, 7, "1"},
		{"the most of an age", []found{sb(1, 5, 9), sb(2, 5, 6), sb(3, 4, 9), sb(2, 5, 8)}, 2, 8, "13"},
		{"no age", []found{sb(1, 0, 7), sb(2, 0, 8)}, 2, 8, "1"},
	} {
		best, others := newest(c.copies)
		got := ""
		for _, o := range others {
			got += fmt.Sprint(o.UUID[0])
		}
		if best.UUID[0] != c.best || best.WriteTime != c.at || got != c.others {
			t.Errorf("%s: %d written %d, others %s", c.name, best.UUID[0], best.WriteTime, got)
		}
	}
	if best, _ := newest(nil); best != nil {
		t.Error("one of none")
	}
}

// Group descriptors that were read and are none of the volume that a copy of the
// superblock speaks for contradict it. Unread ones do not, nor does garbage in
// them where the superblock itself, or a half of it, was read.
func TestDescriptorsAgainstCopy(t *testing.T) {
	for _, name := range []string{"ext4-1k", "ext4-super2", "ext3-journal"} {
		whole := unpack(t, name)
		v, all := walk(t, reader(t, whole), walkAll)
		descs := v.start + int64(v.sb.groupFirst(0)+v.sb.superBlocks(0))*v.bs
		img := unpack(t, name)
		clear(img[descs : descs+int64(v.sb.DescSize)])
		lost := imap.Range{Start: descs, Length: 512, State: imap.Failed}
		for _, c := range []struct {
			what   string
			img    []byte
			unread []imap.Range
			proved bool
		}{
			{"superblock unread", whole, []imap.Range{superUnread}, true},
			{"superblock and descriptors unread", img, []imap.Range{superUnread, lost}, true},
			{"superblock unread, a descriptor zeroed", img, []imap.Range{superUnread}, false},
			{"a descriptor zeroed", img, nil, true},
			{"half of the superblock unread, a descriptor zeroed", img, []imap.Range{{Start: superblockAt + 512, Length: 512, State: imap.Failed}}, true},
		} {
			got, files := walk(t, reader(t, c.img, c.unread...), walkAll)
			if diff := cmp.Diff(len(all), len(files)); diff != "" {
				t.Errorf("%s, %s: entries %s", name, c.what, diff)
			}
			said := strings.Contains(strings.Join(got.listing.Why, "\n"), "what was read where it puts its first structures is none of its volume")
			if n := wholes(files); n > 0 != c.proved || said == c.proved || got.listing.Complete && !c.proved {
				t.Errorf("%s, %s: %d files are proved; the list: %q", name, c.what, n, got.listing.Why)
			}
			for _, f := range files {
				if !c.proved && !strings.Contains(strings.Join(f.Why, "\n"), "another volume may have been made in its place") {
					t.Fatalf("%s, %s: %+v", name, c.what, f)
				}
			}
		}
	}
}

// A volume made over an earlier one of smaller blocks leaves copies of that one's
// superblock in most of its places: the new one is listed. It runs where
// FILEASSAY_TOOLS=1.
func TestMadeTwice(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	dir := t.TempDir()
	path := filepath.Join(dir, "image")
	var uuid [16]byte
	for i, block := range []string{"1024", "4096"} {
		from := filepath.Join(dir, block)
		if err := os.MkdirAll(filepath.Join(from, "box"), 0o755); err != nil {
			t.Fatal(err)
		}
		for k := range 20 {
			if err := os.WriteFile(filepath.Join(from, "box", fmt.Sprintf("%s sheet %d", block, k)), []byte(strings.Repeat(block, 5000)), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		t.Setenv("E2FSPROGS_FAKE_TIME", fmt.Sprint(1_500_000_000+i*86400*365))
		tool(t, "mke2fs", "-q", "-F", "-t", "ext4", "-b", block, "-E", "nodiscard", "-d", from, path, "300M")
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		copy(uuid[:], b[superblockAt+0x68:])
	}
	img, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range []int64{1024, 3072} {
		v, files := walk(t, reader(t, img, imap.Range{Start: superblockAt, Length: n, State: imap.Failed}), walkAll)
		if v.sb.UUID != uuid || !strings.Contains(strings.Join(v.Info().Notes, "\n"), "another ext4 volume") {
			t.Errorf("%d bytes unread: %x is listed, want %x; notes %q", n, v.sb.UUID, uuid, v.Info().Notes)
		}
		listed := 0
		for _, f := range files {
			if strings.HasPrefix(f.Path, "box/1024") {
				t.Errorf("%d bytes unread: %s is listed", n, f.Path)
			}
			if strings.HasPrefix(f.Path, "box/4096") {
				listed++
			}
		}
		if listed != 20 {
			t.Errorf("%d bytes unread: %d files are listed, want 20", n, listed)
		}
		// its descriptors, where they were read, say that the earlier one is gone
		if proved := n == 1024; wholes(files) > 0 != proved || v.listing.Complete != proved {
			t.Errorf("%d bytes unread: %d files are proved, complete %v: %q", n, wholes(files), v.listing.Complete, v.listing.Why)
		}
	}
}

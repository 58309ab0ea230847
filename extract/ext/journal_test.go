package ext

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"fileassay/extract"
	"fileassay/extract/imap"
)

// misjudged counts the files that are called whole and are not what the kernel read,
// and the entries that a list called complete lacks.
func misjudged(t testing.TB, name string, img []byte, unread ...imap.Range) (v *walked, whole int, wrong, missing []string) {
	t.Helper()
	r := reader(t, img, unread...)
	v, files := walk(t, r, extract.Options{})
	want := sums(t, name)
	got := map[string]bool{}
	for _, f := range files {
		l := line(r, f)
		got[l] = true
		if f.Kind != extract.KindFile || strings.HasPrefix(l, "not whole") {
			continue
		}
		whole++
		content, _, _ := strings.Cut(l, " ")
		if !slices.Contains(want, l) && (!strings.HasPrefix(f.Path, extract.UnknownParent(0)[:2]) || !slices.ContainsFunc(want, func(w string) bool { return strings.HasPrefix(w, content) })) {
			wrong = append(wrong, l)
		}
	}
	for _, l := range want {
		_, path, _ := strings.Cut(l, " ")
		if strings.HasPrefix(l, "->") || strings.HasPrefix(l, "/") {
			path = l
		}
		if v.listing.Complete && !got[l] && !slices.ContainsFunc(files, func(f *extract.File) bool { return strings.HasSuffix(path, f.Path) }) {
			missing = append(missing, l)
		}
	}
	return v, whole, wrong, missing
}

// TestBrokenLog damages each block of a log in turn: the journal's own blocks in every way, the others each in one.
func TestBrokenLog(t *testing.T) {
	ways := []string{"zeros", "noise", "older", "next", "unread", "half"}
	for _, name := range []string{"ext3-journal", "ext4-journal", "ext4-journal-data", "ext4-grown", "ext4-fast"} {
		img := unpack(t, name)
		v, all, _, _ := misjudged(t, name, img)
		rnd := rand.New(rand.NewPCG(1, 2))
		place := func(b uint32) int64 { at, _ := v.journal.place(b); return at }
		for b := uint32(0); b < uint32(v.journal.size/v.bs); b++ {
			at := place(b)
			old := slices.Clone(img[at : at+v.bs])
			head := binary.BigEndian.Uint32(old) == journalMagic
			if b > 0 && bytes.Equal(old, make([]byte, v.bs)) && bytes.Equal(old, img[place(b-1):place(b-1)+v.bs]) {
				continue // never written, nor where the log ends
			}
			for i, how := range ways {
				if !head && int(b)%len(ways) != i {
					continue
				}
				var unread []imap.Range
				switch how {
				case "zeros":
					clear(img[at : at+v.bs])
				case "half":
					clear(img[at : at+v.bs/2])
				case "noise":
					for i := range v.bs {
						img[at+i] = byte(rnd.Uint32())
					}
				case "older":
					copy(img[at:], img[place(b/2):place(b/2)+v.bs])
				case "next": // often another block of the same kind
					next := min(b+1, uint32(v.journal.size/v.bs)-1)
					copy(img[at:], img[place(next):place(next)+v.bs])
				default:
					unread = append(unread, imap.Range{Start: at, Length: v.bs, State: imap.Failed})
				}
				w, whole, wrong, missing := misjudged(t, name, img, unread...)
				if len(wrong)+len(missing) > 0 {
					t.Errorf("%s, block %d (head %v) %s: %d of %d whole, wrong %.300s, missing %.300s, %q", name, b, head, how, whole, all, fmt.Sprint(wrong), fmt.Sprint(missing), w.listing.Why)
				}
				// a whole transaction and more follows: what the missing part touched is not known
				if kind := binary.BigEndian.Uint32(old[4:]); head && b > 0 && b < v.journal.lastHead(t) && how != "half" && kind != journalRevoke && (whole > 0 || w.listing.Complete) {
					t.Errorf("%s, block %d of the log %s: %d files are called whole, complete %v", name, b, how, whole, w.listing.Complete)
				}
				copy(img[at:], old)
			}
		}
	}
}

// lastHead is the block where the last transaction of a log begins.
func (j *journal) lastHead(t testing.TB) (last uint32) {
	t.Helper()
	b := make([]byte, j.vol.bs)
	for at := uint32(1); int64(at)*j.vol.bs < j.size; at++ {
		if j.read(b, at); binary.BigEndian.Uint32(b) == journalMagic && binary.BigEndian.Uint32(b[4:]) == journalDescriptor {
			last = at
		}
	}
	return last
}

// TestFastCommits damages the area of fast commits, whose truth is that of the
// kernel after it replayed them.
func TestFastCommits(t *testing.T) {
	const name = "ext4-fast"
	clean := unpack(t, name)
	v0, _ := walk(t, reader(t, clean), extract.Options{})
	at := func(img []byte, n uint32) []byte { // block n of the area
		place, _ := v0.journal.place(1025 + n)
		return img[place : place+v0.bs]
	}
	older := func(img []byte) { // all of a transaction that is over
		for n := range uint32(8) {
			tags, _ := parseFastTags(at(img, n))
			for _, tag := range tags {
				switch tag.kind {
				case fastHead:
					binary.LittleEndian.PutUint32(tag.value[4:], 3)
				case fastTail:
					binary.LittleEndian.PutUint32(tag.value, 3)
				}
			}
		}
	}
	for _, c := range []struct {
		name   string
		change func(img []byte)
		unread bool
		whole  int // files that are proved
		say    string
	}{
		{"as it is", func([]byte) {}, false, 17, "fast commits, which are not replayed"},
		{"unread", func([]byte) {}, true, 0, "which is unread"},
		{"zeros first", func(img []byte) { clear(at(img, 0)) }, false, 0, "holds zeros"},
		{"noise first", func(img []byte) { copy(at(img, 0), "noise noise") }, false, 0, "holds something else"},
		{"one in between is another", func(img []byte) { copy(at(img, 1), at(img, 5)) }, false, 0, "fails its checksum"},
		{"a bit of one", func(img []byte) { at(img, 1)[30] ^= 1 }, false, 0, "fails its checksum"},
		{"a later transaction", func(img []byte) { binary.LittleEndian.PutUint32(at(img, 0)[8:], 9) }, false, 0, "of a later transaction"},
		{"an older head", older, false, 21, ""},
	} {
		img := slices.Clone(clean)
		c.change(img)
		var unread []imap.Range
		if c.unread {
			place, _ := v0.journal.place(1025)
			unread = []imap.Range{{Start: place, Length: 512, State: imap.Failed}}
		}
		r := reader(t, img, unread...)
		v, files := walk(t, r, extract.Options{})
		whole, why := 0, strings.Join(v.listing.Why, "\n")
		for _, f := range files {
			if _, ok := readContent(r, f); ok && f.Kind == extract.KindFile {
				if whole++; c.whole < 21 && !slices.Contains(sums(t, name), line(r, f)) {
					t.Errorf("%s: %s is called whole", c.name, line(r, f))
				}
			}
		}
		if whole != c.whole || v.listing.Complete != (c.say == "") || !strings.Contains(why, c.say) {
			t.Errorf("%s: %d files whole, want %d; complete %v: %s", c.name, whole, c.whole, v.listing.Complete, why)
		}
		if c.unread && len(v.listing.Needs) == 0 {
			t.Errorf("%s: nothing is needed", c.name)
		}
	}
}

// TestStates sets the marks that say whether a volume was closed against what
// else says so.
func TestStates(t *testing.T) {
	for _, c := range []struct {
		name, volume  string
		state         uint16 // 0 for as it is, 0xFFFD without the feature of a journal
		recover, open string // the flag, and whether the journal's log begins: "set", "clear" or ""
		whole         bool
		say           string // "" where the list is complete
	}{
		{"in use", "ext2-1k", 0xFFFE, "", "", true, "was not closed and has no journal"},
		{"errors", "ext2-1k", stateClosed | stateErrors, "", "", true, "marked as one with errors"},
		{"errors with a journal", "ext3-4k", stateClosed | stateErrors, "", "", true, "marked as one with errors"},
		{"under repair", "ext3-4k", 0xFFFE, "", "", true, "being repaired"},
		{"flag set, no journal", "ext3-journal", 0xFFFD, "", "", false, "has no journal, and yet"},
		{"flag clear, log not empty", "ext3-journal", 0, "clear", "", false, "its journal has a log that begins in block 1"},
		{"flag set, log empty", "ext3-4k", 0, "set", "clear", true, "its journal is empty"},
		{"flag set, log called empty", "ext3-journal", 0, "", "clear", false, "holds a later transaction"},
	} {
		img := unpack(t, c.volume)
		v, _ := walk(t, reader(t, img), extract.Options{})
		le, sb := binary.LittleEndian, img[superblockAt:]
		if c.state == 0xFFFD {
			le.PutUint32(sb[0x5C:], le.Uint32(sb[0x5C:])&^compatJournal)
		} else if c.state == 0xFFFE {
			le.PutUint16(sb[0x3A:], 0)
		} else if c.state != 0 {
			le.PutUint16(sb[0x3A:], c.state)
		}
		switch c.recover {
		case "set":
			le.PutUint32(sb[0x60:], le.Uint32(sb[0x60:])|incompatRecover)
		case "clear":
			le.PutUint32(sb[0x60:], le.Uint32(sb[0x60:])&^incompatRecover)
		}
		if c.open == "clear" {
			place, _ := v.journal.place(0)
			binary.BigEndian.PutUint32(img[place+28:], 0)
		}
		r := reader(t, img)
		v, files := walk(t, r, extract.Options{})
		whole := wholes(files)
		if why := strings.Join(v.listing.Why, "\n"); v.listing.Complete || !strings.Contains(why, c.say) || whole > 0 != c.whole {
			t.Errorf("%s: %d files whole, complete %v: %s", c.name, whole, v.listing.Complete, why)
		}
	}
}

// TestBegun checks that a last transaction without an end costs what it changes
// and no more: a crash leaves it like that, and so does a lost commit block.
func TestBegun(t *testing.T) {
	for _, name := range []string{"ext3-journal", "ext4-journal"} {
		img := unpack(t, name)
		v, _ := walk(t, reader(t, img), extract.Options{})
		last := v.journal.lastHead(t)
		place, _ := v.journal.place(last)
		s, _ := parseJournalSuper(v.journal.read(make([]byte, v.bs), 0).Data, v.bs)
		commit, _ := v.journal.place(last + uint32(len(parseTags(&s, img[place:place+v.bs]))) + 1)
		clear(img[commit : commit+v.bs])
		v, whole, wrong, missing := misjudged(t, name, img)
		if why := strings.Join(v.listing.Why, "\n"); len(wrong)+len(missing) > 0 || whole < 30 || v.listing.Complete || !strings.Contains(why, "has no end") {
			t.Errorf("%s: %d files whole, wrong %v, missing %v, complete %v: %s", name, whole, wrong, missing, v.listing.Complete, why)
		}
	}
}

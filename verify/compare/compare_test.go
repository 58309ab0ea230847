package compare

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"fileassay/extract/imap"
	"fileassay/verify/files"
	"fileassay/verify/result"
	"fileassay/verify/result/resulttest"
	"fileassay/verify/wanted"
)

// entry is a file of a made result.
type entry struct {
	id      uint64
	path    string
	verdict result.Verdict
	size    int64
	read    int64
	at      int64
	kind    string
}

// made writes a result and opens it. unread are ranges [offset, length].
func made(t *testing.T, drive int64, proof string, unread string, files ...entry) *result.Result {
	t.Helper()
	var ranges [][2]int64
	if err := json.Unmarshal([]byte(unread), &ranges); err != nil {
		t.Fatal(err)
	}
	m := resulttest.Made{Image: result.Image{Path: "depot.img", Size: drive},
		Volumes: []result.Volume{{Length: drive, Filesystem: "ext4", Listing: result.Listing{Complete: proof != "short"}, Proof: &result.Proof{Ranges: "0+512", SHA256: proof}}},
		Places:  append([]result.Place{}, resulttest.Unread(imap.Failed, result.HoldsFiles, ranges...)...)}
	for _, f := range files {
		r := &result.File{ID: f.id, Path: f.path, Kind: f.kind, Size: &f.size, Modified: "2026-05-06T07:08:09Z", Verdict: f.verdict,
			Damage: []result.Damage{}}
		n := f.size - f.read
		if f.read > 0 {
			r.Extents = [][3]int64{{n, f.at, f.read}}
		}
		if n > 0 {
			r.Damage = append(r.Damage, result.Damage{Image: -1, Length: n, What: result.Unlocated})
		}
		m.Files = append(m.Files, r)
	}
	return m.Open(t)
}

const (
	intact  = result.Intact
	damaged = result.Damaged
	lost    = result.Lost
)

// told are all changes in order.
func told(t testing.TB, c *Comparison) (list []*Change) {
	t.Helper()
	for _, w := range sorts {
		n := 0
		for ch, err := range c.Changes.Of(w) {
			if err != nil {
				t.Fatal(err)
			}
			list = append(list, ch)
			n++
		}
		if n != c.Changes.Count(w) {
			t.Errorf("%d of %s told, %d counted", n, w, c.Changes.Count(w))
		}
	}
	return list
}

func TestChanges(t *testing.T) {
	before := made(t, 1<<20, "a", "[[8192,4096],[20480,1024]]",
		entry{1, "same.txt", intact, 10, 10, 100, ""},
		entry{2, "rises.docx", damaged, 100, 50, 200, ""},
		entry{3, "falls.jpg", intact, 100, 100, 300, ""},
		entry{4, "?/4", lost, 100, 0, 400, ""},
		entry{5, "old name.txt", intact, 100, 100, 500, ""},
		entry{6, "gone.mbox", intact, 100, 100, 600, ""},
		entry{7, "moved content.db", intact, 100, 100, 700, ""},
		entry{8, "more.mp4", damaged, 100, 10, 800, ""},
		entry{9, "less.mp4", damaged, 100, 20, 900, ""},
		entry{10, "link a", intact, 5, 5, 1000, ""},
		entry{10, "link b", intact, 5, 5, 1000, ""},
		entry{11, "number.txt", damaged, 9, 3, 1100, ""},
		entry{12, "folder", damaged, 0, 0, 0, "folder"},
		entry{13, "grew.txt", intact, 10, 10, 1300, ""},
	)
	after := made(t, 1<<20, "a", "[[8192,1024],[40960,512]]",
		entry{1, "same.txt", intact, 10, 10, 100, ""},
		entry{2, "rises.docx", intact, 100, 100, 200, ""},
		entry{3, "falls.jpg", damaged, 100, 40, 300, ""},
		entry{4, "Letters/found its name.odt", intact, 100, 100, 400, ""},
		entry{5, "new name.txt", intact, 100, 100, 500, ""},
		entry{7, "moved content.db", intact, 100, 100, 701, ""},
		entry{8, "more.mp4", damaged, 100, 60, 800, ""},
		entry{9, "less.mp4", damaged, 100, 10, 900, ""},
		entry{10, "link b", intact, 5, 5, 1000, ""},
		entry{10, "link a", intact, 5, 5, 1000, ""},
		entry{110, "number.txt", intact, 9, 9, 1100, ""},
		entry{12, "folder", intact, 0, 0, 0, "folder"},
		entry{13, "grew.txt", intact, 11, 11, 1300, ""},
		entry{14, "new.jpg", damaged, 10, 5, 1400, ""},
	)
	c, err := Results(before, after, nil)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, x := range told(t, c) {
		got = append(got, fmt.Sprintf("%s %s<%s %q->%q %d", x.What, x.Path, x.Old, x.Before, x.After, x.Won))
	}
	want := []string{
		`fell falls.jpg< "intact"->"damaged" -60`,
		`fell less.mp4< "damaged"->"damaged" -10`,
		`gone gone.mbox< "intact"->"" -100`,
		`changed moved content.db< "intact"->"intact" 0`,
		`changed grew.txt< "intact"->"intact" 1`,
		`rose rises.docx< "damaged"->"intact" 50`,
		`rose Letters/found its name.odt<?/4 "lost"->"intact" 100`,
		`rose number.txt< "damaged"->"intact" 6`,
		`rose folder< "damaged"->"intact" 0`,
		`found new.jpg< ""->"damaged" 5`,
		`renamed new name.txt<old name.txt "intact"->"intact" 0`,
		`more more.mp4< "damaged"->"damaged" 50`,
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if c.Sectors != 8 || c.Lost != 1 || len(c.LostAt) != 1 || c.LostAt[0] != [2]int64{40960, 512} {
		t.Errorf("%d sectors won, %d lost at %v; want 8, 1 at 40960", c.Sectors, c.Lost, c.LostAt)
	}
	if c.Whole != 3 || c.Weight != 23 || !c.Worse() || c.Counts[Named] != 1 {
		t.Errorf("%d whole of weight %v, worse %v, %d named; want 3, 23, true, 1", c.Whole, c.Weight, c.Worse(), c.Counts[Named])
	}
	same, err := Results(after, after, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []*Comparison{c, same} {
		var b bytes.Buffer
		var read struct {
			Comparison
			Changes []*Change `json:"changes"`
		}
		if err := errors.Join(c.WriteJSON(&b), json.Unmarshal(b.Bytes(), &read)); err != nil {
			t.Fatalf("%v in %s", err, &b)
		}
		if d := cmp.Diff(told(t, c), read.Changes, cmpopts.EquateEmpty()); d != "" || read.Whole != c.Whole || read.Type != "compare" {
			t.Errorf("the JSON of a comparison (-want +got):\n%s", d)
		}
	}
	if len(same.Counts) != 0 || same.Worse() || same.Sectors != 0 || same.Whole != 0 {
		t.Errorf("a result against itself: %+v", same)
	}
}

func TestWarnings(t *testing.T) {
	a, b := made(t, 1<<20, "a", "[]"), made(t, 1<<20, "b", "[]")
	c, err := Results(a, b, nil)
	if err != nil || len(c.Warnings) != 1 || !strings.Contains(c.Warnings[0], "other bytes now") {
		t.Errorf("%v, %v: want a warning on other bytes", c, err)
	}
	c, err = Results(a, made(t, 1<<20, "short", "[]"), nil)
	if err != nil || !strings.Contains(strings.Join(c.Warnings, " "), "was complete before") {
		t.Errorf("%v, %v: want a warning on the list", c, err)
	}
	var input *files.InputError
	if _, err := Results(a, made(t, 2<<20, "a", "[]"), nil); !errors.Is(err, ErrOtherDrive) || !errors.As(err, &input) {
		t.Errorf("drives of other sizes: %v", err)
	}
}

// A volume that claims to reach past the end of the drive has nothing to lose
// there.
func TestPastTheEnd(t *testing.T) {
	before, after := made(t, 1<<20, "a", "[[8192,1024]]"), made(t, 1<<20, "a", "[[8192,512]]")
	c, err := Results(before, after, nil)
	if err != nil || c.Lost != 0 || c.Sectors != 1 || c.Worse() {
		t.Errorf("%v: %d sectors lost, %d won, worse %v; want 0, 1, false", err, c.Lost, c.Sectors, c.Worse())
	}
}

// An array and the volume in it may begin at one place of the drive.
func TestVolumesAtOnePlace(t *testing.T) {
	r, other := made(t, 1<<20, "a", "[]"), made(t, 1<<20, "a", "[]")
	for _, x := range []*result.Result{r, other} {
		outer := x.Volumes[0]
		outer.Volume, outer.Filesystem, outer.Proof = 2, "md array", nil
		x.Volumes = append(x.Volumes, outer)
	}
	c, err := Results(r, other, nil)
	if err != nil || c.Worse() || len(c.Listings) != 2 {
		t.Fatalf("%v: %+v; want two volumes and nothing worse", err, c)
	}
	for _, l := range c.Listings {
		if l.State != "the same" {
			t.Errorf("%s: %s", l.Filesystem, l.State)
		}
	}
	other.Volumes = other.Volumes[:1]
	if c, err = Results(r, other, nil); err != nil || len(c.Warnings) != 1 || !strings.Contains(c.Warnings[0], "(md array) was found before") {
		t.Errorf("%v: %v; want a warning that the array is gone", err, c)
	}
}

// What a file that is gone weighed may hang on its time and size.
func TestGoneWeight(t *testing.T) {
	list, err := wanted.Parse("w", strings.NewReader("0 larger:1KiB\n7 newer:2026-01-01\n"))
	if err != nil {
		t.Fatal(err)
	}
	before := made(t, 1<<20, "a", "[]", entry{1, "log.txt", intact, 4096, 4096, 100, ""}, entry{2, "small.txt", intact, 10, 10, 300, ""})
	c, err := Results(before, made(t, 1<<20, "a", "[]"), list)
	if err != nil {
		t.Fatal(err)
	}
	if list := told(t, c); len(list) != 2 || list[0].Path != "small.txt" || list[0].Weight != 7 || list[1].Weight != 0 {
		t.Errorf("%+v; want weights 7 and 0", list)
	}
}

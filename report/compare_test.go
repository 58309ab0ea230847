package report

import (
	"bytes"
	"iter"
	"strings"
	"testing"

	"fileassay/verify/compare"
	"fileassay/verify/result"
)

// told are changes that a test gives.
type told []*compare.Change

func (t told) Of(w compare.What) iter.Seq2[*compare.Change, error] {
	return func(yield func(*compare.Change, error) bool) {
		for _, c := range t {
			if c.What == w && !yield(c, nil) {
				return
			}
		}
	}
}

func (t told) Count(w compare.What) (n int) {
	for range t.Of(w) {
		n++
	}
	return n
}

// worse is a comparison in which all kinds of things got worse.
func worse() *compare.Comparison {
	c := &compare.Comparison{Type: "compare", Before: "pass1.jsonl", After: "pass2.jsonl", Wanted: "the built-in list", Sector: 512,
		Counts: map[compare.What]int64{compare.Fell: 1, compare.Changed: 3, compare.Rose: 2, compare.Renamed: 1},
		Lost:   3, LostAt: [][2]int64{{4096, 1536}}, Warnings: []string{"structures of volume 1 hold other bytes"},
		Changes: told{
			{What: compare.Fell, Volume: 1, ID: 1, Path: "Pipes/a.pdf", Before: result.Intact, After: result.Damaged, Won: -512, Sectors: 1, Why: "its verdict was better before; 1 sector of its content holds other bytes"},
			{What: compare.Changed, Volume: 1, ID: 2, Path: "Pipes/b.pdf", Before: result.Damaged, After: result.Intact, Won: 2048, Sectors: 2, Why: "2 sectors of its content hold other bytes"},
			{What: compare.Changed, Volume: 1, ID: 3, Path: hostile[0], Before: result.Intact, After: result.Intact, Sectors: 1, Why: "1 sector of its content holds other bytes"},
			{What: compare.Rose, Volume: 1, ID: 4, Path: hostile[3], Old: hostile[1], Before: result.Lost, After: result.Intact, Won: 4096},
		},
		Content: &compare.ContentRecord{Images: [2]string{"a.img", "b\x1b[31m.img"}, Sector: 512, Compared: 2000, Differ: 7, Holds: compare.Holds{Files: 4, Structures: 2, Outside: 1}, Files: 3,
			Ranges: 1001, At: [][2]int64{{51200, 1024}, {102400, 512}}, Failed: 1, Notes: []string{"pass1.jsonl takes 512 bytes of doubtful sectors as read"}},
	}
	return c
}

// What got worse stands before what was won, and each thing is told.
func TestComparisonWords(t *testing.T) {
	var b bytes.Buffer
	if err := Comparison(&b, worse(), 1, Style{}); err != nil {
		t.Fatal(err)
	}
	text := b.String()
	at := 0
	for _, want := range []string{
		"GOT WORSE:",
		"  - 3 sectors were read before and not now, the first at byte 4096",
		"  - 7 sectors were read both times and hold other bytes now (1,001 ranges, the first at byte 51200): 4 in content of 3 files, 2 in structures of volumes, 1 outside any volume\n",
		"let the responsible technician decide before the drive runs again\n",
		"  - 1 sector could not be compared, since an image file no longer gives it",
		"  - structures of volume 1 hold other bytes\n",
		"Fell: 1 entry\n  Pipes/a.pdf: intact -> damaged, 512 B fewer read; its verdict was better before; 1 sector of its content holds other bytes\n",
		"Not the same as before: 3 entries\n  Pipes/b.pdf: damaged -> intact, 2.0 KiB won; 2 sectors of its content hold other bytes\n  ... and 1 more (--rows 0 shows all)\n  1 of them told under another heading\n",
		"  2,000 sectors read by both passes compared byte for byte (a.img and b", ": 7 hold other bytes now\n  - pass1.jsonl takes 512 bytes",
		"Rose: 2 entries\n",
		"  1 of them told under another heading\n",
		"Listed under another path: 1 entry\n  1 of them told under another heading\n",
	} {
		i := strings.Index(text[at:], want)
		if i < 0 {
			t.Fatalf("no %q after byte %d of\n%s", want, at, text)
		}
		at += i
	}
	if strings.ContainsAny(text, "\x1b\u202e") {
		t.Error("a name's control characters reach the terminal")
	}
}

// The page tells the same.
func TestComparisonPage(t *testing.T) {
	var b bytes.Buffer
	if err := ComparisonPage(&b, worse()); err != nil {
		t.Fatal(err)
	}
	text := b.String()
	for _, want := range []string{"7 sectors were read both times and hold other bytes now", "1 sector could not be compared", "Sectors that hold other bytes now", "and 999 ranges more",
		"&lt;script&gt;alert(1)&lt;/script&gt;.txt", "3 sectors were read before and not now", "structures of volume 1"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q on the page", want)
		}
	}
	if strings.Contains(text, "<script") || strings.ContainsAny(text, "\x1b\u202e") {
		t.Error("a name is not taken for text alone")
	}
	c := worse()
	c.Content = nil
	b.Reset()
	if err := ComparisonPage(&b, c); err != nil {
		t.Fatal(err)
	}
	if text := b.String(); !strings.Contains(text, "was not compared; <code>compare --content</code>") || strings.Contains(text, "Sectors that hold other bytes now") {
		t.Error("the page does not say that content was not compared")
	}
}

func TestPerhapsMore(t *testing.T) {
	for n, want := range map[int64]string{0: "", 1: ", and perhaps 1 more", 1200: ", and perhaps 1,200 more"} {
		if got := perhapsMore(n); got != want {
			t.Errorf("%d: %q, want %q", n, got, want)
		}
	}
}

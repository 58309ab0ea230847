package report

import (
	"bytes"
	"fmt"
	"html"
	"strings"
	"testing"

	"fileassay/verify"
	"fileassay/verify/result"
	"fileassay/verify/result/resulttest"
)

// Without a map nothing is proved, and no form of the report says otherwise
// before it says that.
func TestAssumedIsNotProved(t *testing.T) {
	m := resulttest.Made{Image: result.Image{Path: "mill.img", Map: result.Map{AssumedRead: true}}, Files: []*result.File{file("sluice.txt", 100)}}
	r := m.Open(t)
	if got := outcomeWords(r); !strings.HasPrefix(got, "The one file that was found was recovered whole. This is not proved: ") {
		t.Errorf("the outcome is %q", got)
	}
	if got := strings.Join(listingWords(r), " "); !strings.Contains(got, "is complete if everything") {
		t.Errorf("the list: %q", got)
	}
	for _, a := range []Audience{Customer, Bench} {
		var b bytes.Buffer
		if err := HTML(&b, r, inventory(t, r, a == Bench), Options{For: a}); err != nil {
			t.Fatal(err)
		}
		text := html.UnescapeString(b.String())
		for _, bad := range []string{"Is the list complete? Yes", "Every byte of the drive was read", "was read without error", "every byte was read"} {
			if strings.Contains(text, bad) {
				t.Errorf("%s: the page says %q", a, bad)
			}
		}
		for _, want := range []string{"This is not proved", "The list may be incomplete"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s: the page does not say %q", a, want)
			}
		}
	}
}

// Where a folder holds more folders than the table for paper has room for, what
// is left out lies beside what is shown, not deeper.
func TestFoldersLeftOut(t *testing.T) {
	var files []*result.File
	for i := range maxFoldersShown + 50 {
		files = append(files, file(fmt.Sprintf("shelf %03d/box.txt", i), 1))
	}
	r := bellowsOf(files...).Open(t)
	v, err := newView(r, inventory(t, r, false), Options{For: Customer})
	if err != nil {
		t.Fatal(err)
	}
	if want := "200 of 251 folders are shown, at most 200; the others are counted in those that they lie in."; v.FoldersAfter != want {
		t.Errorf("%q, want %q", v.FoldersAfter, want)
	}
}

// Of a file that an online service keeps nothing lies on the drive, so nothing of
// it lies where the drive does not tell.
func TestElsewhereIsNotUnlocated(t *testing.T) {
	f := file("drawings.zip", 1024, result.Damage{Image: -1, Length: 1024, What: "unlocated"})
	if got, want := remark(f), "where a part of it lies on the drive could not be read"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	f.Stored = "elsewhere"
	if got, want := remark(f), "kept by an online service: its content was never on this drive"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// A file may be damaged and have nothing missing; the customer is not told
// otherwise.
func TestDamagedIsNotAlwaysMissing(t *testing.T) {
	r := bellowsOf(file("stops.jpg", 1024, result.Damage{Image: 8192, Length: 512, What: "doubtful"})).Open(t)
	var b bytes.Buffer
	if err := HTML(&b, r, inventory(t, r, false), Options{For: Customer}); err != nil {
		t.Fatal(err)
	}
	if text := b.String(); !strings.Contains(text, "A part of the file is missing, or the drive was unsure of it.") {
		t.Error("the page says of every damaged file that a part is missing")
	}
}

// Where doubtful sectors are taken as read, intact rests on them, and every form
// of the report says so.
func TestTrustedIsNotProved(t *testing.T) {
	m := bellowsOf(file("stops.txt", 100))
	m.Volumes[0].Listing = result.Listing{Complete: true}
	m.Image.Map.TrustDoubtful, m.Image.Map.Doubtful = true, 512
	m.Places = m.Places[1:] // what is doubtful is read
	r := m.Open(t)
	for _, a := range []Audience{Customer, Bench} {
		var b bytes.Buffer
		if err := HTML(&b, r, inventory(t, r, a == Bench), Options{For: a}); err != nil {
			t.Fatal(err)
		}
		text := html.UnescapeString(b.String())
		for _, bad := range []string{"every byte was read", "was read without error"} {
			if strings.Contains(text, bad) {
				t.Errorf("%s: the page says %q", a, bad)
			}
		}
		if want := "Where the drive was unsure of its data, that was taken as good, and may be wrong."; !strings.Contains(text, want) {
			t.Errorf("%s: the page does not say %q", a, want)
		}
	}
	o := &verify.Outcome{Image: m.Image, Volumes: m.Volumes, Summary: m.Summary}
	if got, want := advice(o), "Recovery is complete: every listed file is intact and every list is complete. Doubtful sectors are taken as read; nothing proves what they hold."; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// What is unread and may be anything is not called free of files.
func TestAdviceOnUnknown(t *testing.T) {
	o := &verify.Outcome{Volumes: make([]result.Volume, 1)}
	o.Summary.ListingComplete, o.Summary.Files.Damaged = true, 1
	if got, want := advice(o), "A further pass over the drive wins nothing: "; !strings.HasPrefix(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	o.Summary.Unread.Unknown.Failed = 512
	if got, want := advice(o), "Recovery is not complete: 1 file is not whole. Up to 512 B would have to be read again; 0 B of what is unread need not be."; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	o.Summary.Files.Damaged, o.Summary.Folders.Damaged = 0, 1
	if got, want := advice(o), "Recovery is not complete: 1 folder was not fully read. "; !strings.HasPrefix(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}

// The bytes of all listed files by state are told, and add up to their size.
func TestContentAddsUp(t *testing.T) {
	r := bellowsOf(file("stops.txt", 17, result.Damage{Offset: 7, Image: 8192, Length: 1, What: "doubtful"}, result.Damage{Offset: 8, Image: 8704, Length: 2, What: "failed"},
		result.Damage{Offset: 10, Image: 102400, Length: 3, What: "skipped"}, result.Damage{Offset: 13, Image: -1, Length: 4, What: "unlocated"})).Open(t)
	v, err := newView(r, inventory(t, r, true), Options{For: Bench})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, c := range v.Content {
		got = append(got, c.Name+" "+c.Cells[2])
	}
	if got, want := strings.Join(got, ", "), "read 7, doubtful 1, failed 2, not tried 3, unlocated: where it lies is unread 4, in all 17"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// Without a map no part of the drive is said to have been read, in the picture
// and in the tables.
func TestAssumedPicture(t *testing.T) {
	m := bellowsOf(file("stops.txt", 100))
	m.Image.Map, m.Image.Heads, m.Places = result.Map{AssumedRead: true}, nil, nil
	m.Image.Profile = &result.Profile{Slice: 4096}
	r := m.Open(t)
	v, err := newView(r, inventory(t, r, true), Options{For: Bench})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := v.Disks[0].Text, "The whole drive, 1.0 MiB: assumed to be read 1.0 MiB (100 %)."; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	for name, got := range map[string]any{"legend": v.Legend[0][1], "map": v.MapTotals[0].Name, "tenths": v.ReadWord} {
		if want := "assumed to be read"; got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	if got, want := v.AllRead, "There is no map: every byte of the drive is assumed to have been read."; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

package report

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fileassay/extract/imap"
	"fileassay/verify/shown"
)

// A recipe that was learnt of a list with hostile words is safe to show, and
// still a recipe for those words.
func TestLearntShown(t *testing.T) {
	const word = "x\u202e\x7f\u0085\U000e0041"
	dir := t.TempDir()
	text := "0|1048576|" + word + "\n1048576|512|y\n1049088|1048064|" + word + "\n"
	path := filepath.Join(dir, "list")
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	l, err := imap.Learn(t.Context(), path, imap.LearnOptions{Size: 2 << 20, Sector: 512})
	if err != nil {
		t.Fatal(err)
	}
	if !l.Sure {
		t.Fatalf("ambiguous: %v", l.Why)
	}
	l.Best.Recipe.Words, l.Open = map[string]imap.State{word: imap.Read, "y": imap.Failed}, "" // as somebody fills it in
	var b strings.Builder
	if err := Learnt(&b, path, l, true); err != nil {
		t.Fatal(err)
	}
	if shown.Lines(b.String()) != b.String() {
		t.Errorf("%q", &b)
	}
	rec, err := imap.ParseRecipe([]byte(b.String()))
	if err != nil {
		t.Fatalf("%v\n%s", err, &b)
	}
	if _, ok := rec.Words[word]; !ok {
		t.Errorf("the words are %q:\n%s", rec.Words, &b)
	}
}

// What the image file did not give is told apart from what holds the filler.
func TestFillerLinesBroken(t *testing.T) {
	m, err := imap.New([]imap.Range{{Start: 0, Length: 8192, State: imap.Read}, {Start: 8192, Length: 12288, State: imap.Failed}})
	if err != nil {
		t.Fatal(err)
	}
	s := imap.FillerSearch{Sector: 4096, State: imap.Failed}
	broken := []imap.Range{{Start: 12288, Length: 512, State: imap.Failed}, {Start: 15872, Length: 1024, State: imap.Failed}}
	lines := strings.Join(FillerLines("x.img", "U", s, m, 20480, broken), "\n")
	for _, want := range []string{"8192 bytes read, 4096 failed, 0 skipped", "8192 bytes more are failed because the image file did not give their sectors"} {
		if !strings.Contains(lines, want) {
			t.Errorf("not told: %s\n%s", want, lines)
		}
	}
	if lines = strings.Join(FillerLines("x.img", "U", s, m, 20480, nil), "\n"); strings.Contains(lines, "bytes more") {
		t.Errorf("errors are told that there were none of:\n%s", lines)
	}
}

// Nothing is said to speak for a map where the image file did not give all.
func TestMapBroken(t *testing.T) {
	for _, broken := range []string{"", "the image file itself did not give 512 bytes"} {
		var b strings.Builder
		if err := Map(&b, &MapRecord{Odd: &imap.Odd{}, Broken: broken}, Style{}); err != nil {
			t.Fatal(err)
		}
		if strings.Contains(b.String(), "Nothing looked at") != (broken == "") || !strings.Contains(b.String(), broken) {
			t.Errorf("%q: %s", broken, &b)
		}
	}
}

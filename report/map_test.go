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

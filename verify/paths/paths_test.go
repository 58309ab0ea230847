package paths

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// Every path comes back byte for byte, and paths compare as their text does.
func TestStore(t *testing.T) {
	list := []string{"", "a", "a/b", "a/b/c", "a/b c", "a!", "a/", "/", "//", "/a", "a//b", "b/\xff\x00", "?/12/x",
		strings.Repeat("long", blockSize) + "/" + strings.Repeat("x", 200), strings.Repeat("deep/", 2000) + "end", strings.Repeat("deep/", 1999) + "end"}
	rnd := rand.New(rand.NewPCG(1, 2))
	for range 20000 {
		var b strings.Builder
		for range rnd.IntN(5) {
			b.WriteString([]string{"/", "a", "b", "!", "é", "0"}[rnd.IntN(6)])
		}
		list = append(list, b.String())
	}
	var s Store
	kept := make([]Path, len(list))
	for i, p := range list {
		kept[i] = s.Add(p)
	}
	for i, p := range kept {
		if got := s.String(p); got != list[i] {
			t.Fatalf("%q came back as %q", list[i], got)
		}
		k := rnd.IntN(len(kept))
		if got, want := s.Compare(p, kept[k]), strings.Compare(list[i], list[k]); got != want {
			t.Fatalf("%q against %q: %d, want %d", list[i], list[k], got, want)
		}
	}
	slices.SortFunc(kept, s.Compare)
	slices.Sort(list)
	for i, p := range kept {
		if s.String(p) != list[i] {
			t.Fatalf("in order, number %d is %q, want %q", i, s.String(p), list[i])
		}
	}
}

// A store that nothing was added to has the empty path.
func TestEmpty(t *testing.T) {
	var s Store
	if s.String(Path{}) != "" || s.Compare(Path{}, Path{}) != 0 || s.Add("") != (Path{}) {
		t.Error("the empty path is not the zero value")
	}
}

package delivery

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
)

// The place of a folder does not depend on what was asked for in between, and is
// found again.
func TestNamerFolders(t *testing.T) {
	var dirs []string
	for i := range 40 {
		dirs = append(dirs, strings.Repeat("d/", i)+"e", strings.Repeat("long name/", 4*i)+"e", fmt.Sprintf("Plates/%d", i), "Plates/CON", "a//b/", "?/17")
	}
	once := newNamer()
	want := map[string]string{}
	for _, d := range dirs {
		want[d] = once.path(once.folder("intact/volume-1", d))
		if len(want[d]) > pathLimit {
			t.Errorf("%.40q: a place of %d bytes", d, len(want[d]))
		}
	}
	rnd := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		d := dirs[rnd.IntN(len(dirs))]
		if got := once.path(once.folder("intact/volume-1", d)); got != want[d] {
			t.Fatalf("%.40q stands at %.40q, and at %.40q when it is asked for again", d, want[d], got)
		}
		if got, ok := once.find("intact/volume-1", d); !ok || got != want[d] {
			t.Fatalf("%.40q stands at %.40q, found at %.40q", d, want[d], got)
		}
	}
	if _, ok := once.find("damaged/volume-1", dirs[0]); ok {
		t.Error("a folder is found that was not made")
	}
	if _, ok := once.find("intact/volume-1", "Plates/none"); ok {
		t.Error("a folder is found that was not made")
	}
}

package reread_test

import (
	"fmt"
	"strings"
	"testing"

	"fileassay/extract/imap"
	"fileassay/verify/reread"
	"fileassay/verify/result"
	"fileassay/verify/result/resulttest"
	"fileassay/verify/wanted"
)

// Where next to nothing is unread and a folder's block is, the plan of a list
// that asks for one folder alone reads what may lie in it in the same go: content
// that belongs to no known file, that of files without a known folder, and other
// structures, which may be on the way.
func TestInOneGo(t *testing.T) {
	list, err := wanted.Parse("t", strings.NewReader("1 /Kiln/**\n0 **\n"))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name  string
		other int64      // unread bytes of a file that is not wanted
		needs [][2]int64 // of the wanted folder
		want  []int64
		goes  bool
	}{
		{"little", 4096, [][2]int64{{1048576, 4096}}, []int64{1048576, 1572864, 2097152, 4194304}, true},
		{"much", 32 << 20, [][2]int64{{1048576, 4096}}, []int64{1048576}, false},
		{"nothing leads to more", 4096, nil, nil, false},
	} {
		kiln := &result.File{ID: 1, Path: "Kiln", Kind: "folder", Size: new(int64), Verdict: result.Intact, Needs: c.needs}
		if c.needs != nil {
			kiln.Verdict = result.Damaged
		}
		var places []result.Place
		for _, p := range []struct {
			holds     string
			at, bytes int64
		}{{"structures", 1048576, 4096}, {"structures", 1572864, 512}, {"files", 2097152, 4096}, {"unknown", 4194304, 4096}, {"free", 5242880, 4096}, {"files", 8388608, c.other}} {
			places = append(places, resulttest.Unread(imap.Skipped, p.holds, [2]int64{p.at, p.bytes})...)
		}
		m := resulttest.Made{Image: result.Image{Size: 64 << 20}, Places: places,
			Files: []*result.File{kiln, line(2, "?/chain-7", 4096, x{0, 2097152, 4096}), line(3, "Glaze/x", 4096, x{0, 8388608, 4096})}}
		p := plan(t, m.Open(t), reread.Options{Wanted: list})
		var got []int64
		for _, g := range p.Ranges {
			got = append(got, g.Start)
		}
		if fmt.Sprint(got) != fmt.Sprint(c.want) || p.InOneGo != c.goes {
			t.Errorf("%s: reads at %v in one go %v, want %v %v", c.name, got, p.InOneGo, c.want, c.goes)
		}
	}
}

package reread_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fileassay/verify/reread"
	"fileassay/verify/result"
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
	const head = `{"type":"image","path":"x.img","size":67108864,"drive_size":67108864,"sector":512,"map":{},"table":"none","format":1}
{"type":"volume","volume":1,"start":0,"length":67108864,"filesystem":"exfat","listing":{"complete":true,"unread_records":0,"why":[]},"places":[` +
		`{"holds":"structures","state":"skipped","ranges":[[1048576,4096],[1572864,512]]},{"holds":"files","state":"skipped","ranges":[[2097152,4096],[3145728,%d]]},` +
		`{"holds":"unknown","state":"skipped","ranges":[[4194304,4096]]},{"holds":"free","state":"skipped","ranges":[[5242880,4096]]}]}
{"type":"file","volume":1,"id":1,"path":"Kiln","kind":"folder","size":0,"verdict":"damaged","bytes":{"read":0,"doubtful":0,"failed":0,"skipped":0,"unlocated":0},"extents":[],"damage":[],"why":[],"needs":[%s]}
{"type":"file","volume":1,"id":2,"path":"?/chain-7","kind":"file","size":4096,"verdict":"lost","bytes":{"read":0,"doubtful":0,"failed":0,"skipped":4096,"unlocated":0},"extents":[[0,2097152,4096]],"damage":[[0,2097152,4096,"skipped"]],"why":[]}
{"type":"file","volume":1,"id":3,"path":"Glaze/x","kind":"file","size":4096,"verdict":"lost","bytes":{"read":0,"doubtful":0,"failed":0,"skipped":4096,"unlocated":0},"extents":[[0,3145728,4096]],"damage":[[0,3145728,4096,"skipped"]],"why":[]}
{"type":"summary","files":{},"folders":{},"sizes":{},"bytes":{},"listing_complete":true}
`
	for _, c := range []struct {
		name  string
		other int64  // unread bytes of a file that is not wanted
		needs string // of the wanted folder
		want  []int64
		goes  bool
	}{
		{"little", 4096, "[1048576,4096]", []int64{1048576, 1572864, 2097152, 4194304}, true},
		{"much", 32 << 20, "[1048576,4096]", []int64{1048576}, false},
		{"nothing leads to more", 4096, "", nil, false},
	} {
		path := filepath.Join(t.TempDir(), "x.result.jsonl")
		if err := os.WriteFile(path, fmt.Appendf(nil, head, c.other, c.needs), 0o600); err != nil {
			t.Fatal(err)
		}
		r, err := result.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		p := plan(t, r, reread.Options{Wanted: list})
		r.Close()
		var got []int64
		for _, g := range p.Ranges {
			got = append(got, g.Start)
		}
		if fmt.Sprint(got) != fmt.Sprint(c.want) || p.InOneGo != c.goes {
			t.Errorf("%s: reads at %v in one go %v, want %v %v", c.name, got, p.InOneGo, c.want, c.goes)
		}
	}
}

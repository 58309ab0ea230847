package result

import (
	"encoding/json"
	"errors"
	"fileassay/verify/files"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// lineOf is a file's line with every field that there is.
const lineOf = `{"type":"file","volume":2,"id":18446744073709551615,"path":"Depot/\u202eé \"a\".txt","name_bytes":"AP8=","unnamed":true,"kind":"file","size":4096,` +
	`"verdict":"damaged","bytes":{"read":1,"doubtful":2,"failed":3,"skipped":4,"unlocated":4086},"executable":true,"stored":"compressed",` +
	`"packing":{"method":"lznt1","unit":65536,"units":[[0,512,512]]},"target":"x","extents":[[0,512,100],[100,4096,9]],"patched":[[1,2,3]],` +
	`"damage":[[0,null,5,"unlocated"],[5,9,7,"failed"]],"heads":[0,3],"needs":[[512,1024]],"why":["a","b"],"modified":"2019-04-02T09:12:44Z"}`

// A record that is used again holds nothing of what it held before.
func TestParseFileAgain(t *testing.T) {
	long := strings.Replace(lineOf, `"needs":[`, `"needs":[`+strings.Repeat("[0,1],", 2*mostAgain), 1)
	lines := []string{long, lineOf, `{"type":"file","verdict":"lost"}`, `{"type":"file","verdict":"intact","path":"b","extents":[[0,7,9]],"why":["c"]}`, lineOf}
	var used File
	for _, line := range lines {
		var fresh File
		if err := parseFile([]byte(line), &fresh); err != nil {
			t.Fatal(err)
		}
		if err := parseFile([]byte(line), &used); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(fresh, used, cmpopts.EquateEmpty()); diff != "" {
			t.Errorf("%.80s: %s", line, diff)
		}
		if len(used.Needs) < mostAgain && cap(used.Needs) > mostAgain {
			t.Errorf("%.80s: keeps room for %d", line, cap(used.Needs))
		}
	}
}

// resultText is a small result.
func resultText(files int) string {
	var b strings.Builder
	b.WriteString(`{"type":"image","path":"d.img","size":10,"drive_size":10,"sector":512,"format":1}` + "\n" + `{"type":"volume","volume":1}` + "\n" + `{"type":"volume","volume":2}` + "\n")
	for i := range files {
		fmt.Fprintf(&b, `{"type":"file","volume":1,"id":%d,"path":"%s","verdict":"intact"}`+"\n", i, strings.Repeat("p", i%7*50000))
	}
	b.WriteString(`{"type":"summary","files":{"intact":3}}` + "\n")
	return b.String()
}

func TestOpenResult(t *testing.T) {
	path := filepath.Join(t.TempDir(), "r.jsonl")
	for _, n := range []int{0, 1, 100} {
		if err := os.WriteFile(path, []byte(resultText(n)), 0o666); err != nil {
			t.Fatal(err)
		}
		r, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		if r.Image.Size != 10 || len(r.Volumes) != 2 || r.Summary.Files.Intact != 3 {
			t.Errorf("%+v", r)
		}
		for range 2 {
			i := 0
			for f, err := range r.Files() {
				if err != nil {
					t.Fatal(err)
				}
				if f.ID != uint64(i) || len(f.Path) != i%7*50000 {
					t.Fatalf("file %d: id %d, path of %d bytes", i, f.ID, len(f.Path))
				}
				i++
			}
			if i != n {
				t.Errorf("%d files of %d", i, n)
			}
		}
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

func TestOpenResultRefuses(t *testing.T) {
	whole := resultText(2)
	path := filepath.Join(t.TempDir(), "r.jsonl")
	for name, text := range map[string]string{
		"empty":            "",
		"no result":        "start,length,state\n",
		"cut short":        whole[:len(whole)-10],
		"without its end":  whole[:strings.LastIndex(whole, `{"type":"summary"`)],
		"of another form":  strings.Replace(whole, `"format":1`, `"format":2`, 1),
		"without an image": whole[strings.Index(whole, "\n")+1:],
		"a broken volume":  strings.Replace(whole, `"volume":2}`, `"volume":}`, 1),
		"a summary only":   `{"type":"summary"}`,
	} {
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		r, err := Open(path)
		var input *files.InputError
		if !errors.As(err, &input) {
			t.Errorf("%s: %v, %v", name, r, err)
		}
	}
	if _, err := Open(filepath.Dir(path)); err == nil {
		t.Error("a folder is taken")
	}
	if err := os.WriteFile(path, []byte(strings.Replace(whole, `"id":1`, `"id":x`, 1)), 0o666); err != nil {
		t.Fatal(err)
	}
	r, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	n := 0
	for _, err := range r.Files() {
		if n++; n == 2 && (err == nil || !strings.Contains(err.Error(), "line 5")) {
			t.Errorf("line 5 is broken: %v", err)
		}
	}
	if n != 2 {
		t.Errorf("%d lines", n)
	}
}

func BenchmarkParseFile(b *testing.B) {
	line := []byte(`{"type":"file","volume":1,"id":4711,"path":"Plates/2019/sheet 04.tif","kind":"file","size":123456,"verdict":"intact",` +
		`"bytes":{"read":123456,"doubtful":0,"failed":0,"skipped":0,"unlocated":0},"extents":[[0,987654144,65536],[65536,1287654400,57920]],"damage":[],"why":[],"modified":"2019-04-02T09:12:44Z"}`)
	for _, c := range []struct {
		name  string
		parse func([]byte, *File) error
	}{{"own", parseFile}, {"json", func(l []byte, f *File) error { return json.Unmarshal(l, f) }}} {
		b.Run(c.name, func(b *testing.B) {
			b.SetBytes(int64(len(line)))
			for b.Loop() {
				if err := c.parse(line, &File{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

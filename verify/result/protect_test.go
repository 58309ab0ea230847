package result

import (
	"os"
	"path/filepath"
	"testing"

	"fileassay/verify/files"
)

// What a result names is protected, by paths from where verify may have run;
// what is no result protects itself alone.
func TestProtect(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	all := []string{"in/drive.000", "in/drive.001", "in/drive.003", "map.csv", "heads.csv", "out/wanted.txt"}
	for _, name := range all {
		write(name, name)
	}
	other := write("other", "of nobody")
	good := `{"type":"image","path":"in/drive.000","map":{"path":"` + filepath.ToSlash(filepath.Join(dir, "map.csv")) + `"},"heads":{"path":"heads.csv"},"PATH":"other"}` + "\n" +
		`{"type":"summary","wanted":{"list":"wanted.txt"}}` + "\n"
	for _, tt := range []struct {
		name, text string
		want       bool
	}{
		{"good", good, true},
		{"no last break", good[:len(good)-1], true},
		{"blanks and another order", "  { \"map\" : {\"path\":\"../map.csv\"}, \"heads\":{\"path\":\"heads.csv\"} ,\t\"path\":\"in/drive.003\" }\n" + `{"wanted" : {"list":"wanted.txt"}}`, true},
		{"empty", "", false},
		{"an image", "\xeb\x52\x90NTFS    \x00", false},
		{"other kinds of fields", `{"path":7,"map":[],"heads":null}` + "\n", false},
	} {
		path := write("out/r.jsonl", tt.text)
		s := files.NewSet()
		if err := Protect(s, path); err != nil {
			t.Errorf("%s: %v", tt.name, err)
		}
		for _, name := range all {
			if err := s.Check(true, filepath.Join(dir, name)); files.IsInput(err) != tt.want {
				t.Errorf("%s: %s: error %v", tt.name, name, err)
			}
		}
		if err := s.Check(true, path); !files.IsInput(err) {
			t.Errorf("%s: itself: error %v", tt.name, err)
		}
		if err := s.Check(true, other); err != nil {
			t.Errorf("%s: %v", tt.name, err)
		}
		if missing := filepath.Join(dir, "in/drive.002"); tt.want && !files.IsInput(s.Check(true, missing)) {
			t.Errorf("%s: the missing part is not kept free", tt.name)
		}
	}
}

package input_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fileassay/extract/input"
)

func TestRead(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "list.txt")
	if err := os.WriteFile(path, []byte("10 kind:photo\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(dir, "link")
	if err := os.Symlink(path, link); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		path  string
		limit int64
		want  string // of the error; "" for none
	}{
		{path, 14, ""},
		{link, 14, ""},
		{path, 13, "list.txt: has more than 13 bytes"},
		{dir, 100, "is a folder: give the file itself"},
		{os.DevNull, 100, "is a device"},
		{path + ".none", 100, "no such file"},
	} {
		data, err := input.Read("wanted list", tt.path, tt.limit)
		if tt.want == "" {
			if err != nil || string(data) != "10 kind:photo\n" {
				t.Errorf("%s: %q, %v", tt.path, data, err)
			}
		} else if err == nil || !strings.Contains(err.Error(), tt.want) || !strings.HasPrefix(err.Error(), "wanted list ") {
			t.Errorf("%s: error %v, want %q", tt.path, err, tt.want)
		}
	}
}

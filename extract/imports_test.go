package extract_test

import (
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strings"
	"testing"
)

// TestImports holds the way of imports in tests too: nothing here knows of
// verdicts, so no test of a reader can take one for granted.
func TestImports(t *testing.T) {
	files := 0
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(path) != ".go" {
			return err
		}
		files++
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		for _, im := range f.Imports {
			for _, above := range []string{"verify", "report", "cmd"} {
				if strings.HasPrefix(im.Path.Value, `"fileassay/`+above) {
					t.Errorf("%s imports %s", path, im.Path.Value)
				}
			}
		}
		return nil
	})
	if err != nil || files < 100 {
		t.Errorf("%d files were looked at, %v", files, err)
	}
}

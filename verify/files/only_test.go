package files

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strings"
	"testing"
)

// only are the packages that may open, make, rename or remove files by the
// system's own calls, with what they may and why. All else goes through this
// package, or through input.
var only = map[string]string{
	"verify/files":             "*",                          // makes them
	"extract/input":            "Stat OpenFile Root",         // opens, to be read
	"extract/image":            "Stat Open OpenFile ReadDir", // the image, which may be a device or parts
	"verify/delivery":          "OpenRoot ReadDir Root",      // the folder of a delivery: new or empty, and nothing in it is overwritten; names in it cannot lead out of a root
	"verify/compare":           "Stat",                       // whether two images are one
	"verify/truthtest":         "*",                          // of tests alone
	"extract/lawtest":          "*",
	"verify/ownertest":         "*",
	"extract/fixture":          "*",
	"verify/result/resulttest": "*",
}

// touches are the calls of package os that open or change files.
const touches = " Create CreateTemp OpenFile Open OpenRoot OpenInRoot WriteFile ReadFile Rename Remove RemoveAll Mkdir MkdirAll MkdirTemp Link Symlink Chmod Chown Lchown Chtimes Truncate CopyFS NewFile DirFS ReadDir Root "

// TestOnlyHere holds the tree to make files here alone.
func TestOnlyHere(t *testing.T) {
	root := filepath.Join("..", "..")
	seen := map[string]bool{}
	err := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if e.IsDir() && (e.Name() == "testdata" || strings.HasPrefix(e.Name(), ".") && path != root) {
			return fs.SkipDir
		}
		if !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return nil
		}
		rel, err := filepath.Rel(root, filepath.Dir(path))
		if err != nil {
			return err
		}
		allowed := only[filepath.ToSlash(rel)]
		seen[filepath.ToSlash(rel)] = true
		fset := token.NewFileSet()
		f, err := parser.ParseFile(fset, path, nil, 0)
		if err != nil {
			return err
		}
		for _, imp := range f.Imports {
			if imp.Path.Value == `"io/ioutil"` {
				t.Errorf("%s imports io/ioutil", path)
			}
		}
		ast.Inspect(f, func(n ast.Node) bool {
			sel, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			pkg, ok := sel.X.(*ast.Ident)
			if !ok || pkg.Name != "os" && pkg.Name != "unix" && pkg.Name != "syscall" && pkg.Name != "windows" {
				return true
			}
			name := sel.Sel.Name
			if pkg.Name != "os" && name != "Open" && name != "Openat" && name != "Creat" && name != "Rename" && name != "Unlink" && name != "CreateFile" && name != "Mkdir" {
				return true
			}
			if strings.Contains(touches, " "+name+" ") && allowed != "*" && !strings.Contains(" "+allowed+" ", " "+name+" ") {
				t.Errorf("%s: %s.%s: files are opened by package input and made by package files", fset.Position(n.Pos()), pkg.Name, name)
			}
			return true
		})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for pkg := range only {
		if !seen[pkg] {
			t.Errorf("there is no package %s", pkg)
		}
	}
}

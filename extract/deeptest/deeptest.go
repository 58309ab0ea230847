// Package deeptest holds the lists of filesystems with very deep folders to what
// is promised of them.
package deeptest

import (
	"context"
	"strconv"
	"strings"
	"testing"

	"fileassay/extract"
)

// List walks a volume and checks the list of one that holds nothing but chains
// of so many folders, one in the other, with one file at the end of each. It returns how many
// entries do not show their whole path.
func List(t testing.TB, fs extract.Filesystem, chains, folders int) (deep int) {
	t.Helper()
	var list []*extract.File
	ids, at := map[uint64]*extract.File{}, map[string]*extract.File{}
	survey, err := fs.Walk(context.Background(), func(f *extract.File) error {
		if at[f.Path] != nil {
			t.Errorf("%.60q is listed twice", f.Path)
		}
		list, ids[f.ID], at[f.Path] = append(list, f), f, f
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if want := chains * (folders + 1); len(list) != want {
		t.Fatalf("%d entries, want %d", len(list), want)
	}
	if l := survey.Listing; !l.Complete {
		t.Errorf("the list is not complete: %q", l.Why)
	}
	files := 0
	for _, f := range list {
		folder, name, _ := cut(f.Path)
		switch {
		case f.Deep != strings.HasPrefix(f.Path, "?/"):
			t.Fatalf("%.60q: deep is %v", f.Path, f.Deep)
		case len(folder) > extract.PathLimit:
			t.Fatalf("%.60q: a folder's path of %d bytes", f.Path, len(folder))
		case f.RecordUnread || f.Unnamed || name == "":
			t.Fatalf("%.60q: %+v", f.Path, f)
		}
		if f.Deep {
			deep++
		}
		if f.Kind != extract.KindFile {
			continue
		}
		files++
		depth := 0
		for up := above(f, ids, at); up != nil; up = above(up, ids, at) {
			if depth++; depth > folders {
				break
			}
		}
		if depth != folders {
			t.Errorf("%.60q lies %d folders deep by the list, want %d", f.Path, depth, folders)
		}
	}
	if files != chains {
		t.Errorf("%d files, want %d", files, chains)
	}
	return deep
}

// Shown is how many entries of a chain of folders of one name show their whole
// path.
func Shown(name string) int {
	return (extract.PathLimit+1)/(len(name)+1) + 1 // n folders have n names and n-1 separators
}

// above is the entry of the folder that one lies in; nil for the root.
func above(f *extract.File, ids map[uint64]*extract.File, at map[string]*extract.File) *extract.File {
	folder, _, ok := cut(f.Path)
	if !ok {
		return nil
	}
	if number, adrift := strings.CutPrefix(folder, "?/"); adrift {
		if id, err := strconv.ParseUint(number, 10, 64); err == nil {
			return ids[id]
		}
	}
	return at[folder]
}

func cut(path string) (folder, name string, ok bool) {
	i := strings.LastIndexByte(path, '/')
	if i < 0 {
		return "", path, false
	}
	return path[:i], path[i+1:], true
}

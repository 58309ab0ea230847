package ext

import (
	"fmt"
	"strings"
	"testing"

	"fileassay/extract"
)

// TestDeepPaths makes the paths of a chain of folders, whose numbers go down as they lie
// deeper.
func TestDeepPaths(t *testing.T) {
	const folders = 3000
	tr := &tree{why: map[uint32][]string{}}
	number := func(depth int) uint32 { return uint32(12 + folders - depth) }
	for depth := folders; depth > 0; depth-- {
		above := number(depth - 1)
		if depth == 1 {
			above = rootInode
		}
		tr.names.add(above, number(depth), direntFolder, []byte("d"))
		tr.folders = append(tr.folders, folder{number: number(depth), parent: above, name: -1})
	}
	tr.names.sort()
	tr.nameFolders()
	tr.setPaths()
	namer := tr.paths.Namer()
	const shown = (extract.PathLimit + 1) / 2
	for depth := 1; depth <= folders; depth++ {
		want := strings.Repeat("d/", depth) + "file"
		if depth > shown {
			want = fmt.Sprintf("?/%d/file", number(depth))
		}
		if got, deep := namer.Path(number(depth), "file"); got != want || deep != (depth > shown) {
			t.Fatalf("%d folders deep: %.40q, deep %v", depth, got, deep)
		}
	}
}

package madelist

import (
	"fmt"
	"strings"
)

// Shape is a made result by how many files it has and how long their paths are.
type Shape struct {
	Name  string
	Files int
	Of    func(i int) File
}

// Shapes are damaged files, a thousand a folder: a million with paths of some 80
// bytes, and 200,000 with paths of some 2,000.
func Shapes() []Shape {
	way := strings.Repeat("a folder of some forty bytes in a folder/", 47)
	of := func(way string) func(i int) File {
		return func(i int) File {
			return File{ID: uint64(i + 64), Damaged: true, Path: fmt.Sprintf("%sHerbarium/Cabinet %03d/Drawer %04d/specimen sheet of plants %07d.tif", way, i/20000, i/1000, i)}
		}
	}
	return []Shape{{"short", 1 << 20, of("")}, {"long", 200_000, of(way)}}
}

package fat

import (
	"slices"
	"strings"

	"fileassay/extract"
)

// paths are the folders' paths.
func (t *records) paths() *extract.Paths[*node] {
	return extract.NewPaths(slices.Values(t.nodes), t.nodes[0], func(n *node) uint64 { return n.id },
		func(n *node) (string, *node, bool) { return n.name, n.parent, n.parent != nil })
}

// looksFile reports whether a name looks as those of files do, and those of
// folders seldom: it has a dot and a few characters at its end, or a dot at its
// start.
func looksFile(name string) bool {
	dot := strings.LastIndexByte(name, '.')
	return dot > 0 && dot >= len(name)-5 || strings.HasPrefix(name, ".")
}

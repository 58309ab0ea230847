package hfsplus

import "fileassay/extract"

const (
	// maxPath bounds the bytes of a folder's path. No system takes paths so
	// long; what lies deeper is shown under its folder's number.
	maxPath = 1 << 16
	// maxPaths bounds the bytes of all paths that are kept; those of further
	// folders are worked out anew for each file.
	maxPaths = 64 << 20
)

// setPaths works out the paths of the folders. Where parents go in a ring the
// path begins at one of the folders in it.
func (c *catalog) setPaths() {
	const unseen, open, done = 0, 1, 2
	state := make([]uint8, len(c.folders))
	length := make([]int, len(c.folders))
	var stack []int
	var kept int
	for i := range c.folders {
		// climb to what is done, known or unknown
		at := i
		stack = stack[:0]
		for state[at] == unseen {
			state[at] = open
			stack = append(stack, at)
			f := &c.folders[at]
			if f.id == idRoot || f.parent == idRootParent {
				break
			}
			up := c.index(f.parent)
			if up < 0 {
				break
			}
			if state[up] == open { // a ring
				c.folders[up].cut = true
				break
			}
			at = up
		}
		for k := len(stack) - 1; k >= 0; k-- {
			j := stack[k]
			f := &c.folders[j]
			state[j] = done
			length[j] = len(f.name) + 1
			if up := c.index(f.parent); f.id == idRoot {
				length[j] = 0
			} else if up >= 0 && !f.cut {
				length[j] += length[up]
			} else {
				length[j] += 16
			}
			if length[j] > maxPath {
				f.cut = true
				length[j] = 16
			}
			if kept < maxPaths {
				f.path, f.known = c.path(f.id), true
				kept += len(f.path)
			}
		}
	}
}

// path is the path of a folder: "" for the root, "?/<id>" for one of which
// nothing is known.
func (c *catalog) path(id uint32) string {
	var names []string
	base := ""
	for {
		if id == idRoot {
			break
		}
		f := c.folder(id)
		if f == nil || f.cut || c.isPrivate(id) {
			base = extract.UnknownParent(uint64(id))
			break
		}
		if f.known {
			base = f.path
			break
		}
		names = append(names, f.name)
		id = f.parent
		if id == idRootParent {
			id = idRoot
		}
	}
	n := len(base)
	for _, s := range names {
		n += len(s) + 1
	}
	b := make([]byte, 0, n)
	b = append(b, base...)
	for i := len(names) - 1; i >= 0; i-- {
		if len(b) > 0 {
			b = append(b, '/')
		}
		b = append(b, names[i]...)
	}
	return string(b)
}

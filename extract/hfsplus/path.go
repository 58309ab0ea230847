package hfsplus

import "fileassay/extract"

// setPaths makes the folders' paths ready.
func (c *catalog) setPaths() {
	ids := func(yield func(uint32) bool) {
		for i := range c.folders {
			if !yield(c.folders[i].id) {
				return
			}
		}
	}
	number := func(id uint32) uint64 { return uint64(id) }
	c.paths = extract.NewPaths(ids, idRoot, number, func(id uint32) (string, uint32, bool) {
		f := c.folder(id)
		if f == nil || c.isPrivate(id) {
			return "", 0, false
		}
		if f.parent == idRootParent {
			return f.name, idRoot, true
		}
		return f.name, f.parent, true
	})
}

package result

import "hash/maphash"

// Once knows which files were there already, by their volume, number and path.
// It keeps 16 bytes a file: a digest, which two files share only by a chance
// that does not occur.
type Once struct {
	seen  map[[2]uint64]struct{}
	seeds [2]maphash.Seed
}

// First reports whether a file comes for the first time.
func (o *Once) First(volume int, id uint64, path string) bool {
	if o.seen == nil {
		o.seen = map[[2]uint64]struct{}{}
		o.seeds = [2]maphash.Seed{maphash.MakeSeed(), maphash.MakeSeed()}
	}
	type entry struct {
		volume int
		id     uint64
		path   string
	}
	var key [2]uint64
	for i := range key {
		key[i] = maphash.Comparable(o.seeds[i], entry{volume, id, path})
	}
	if _, ok := o.seen[key]; ok {
		return false
	}
	o.seen[key] = struct{}{}
	return true
}

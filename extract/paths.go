package extract

import "iter"

// PathLimit bounds the path of a folder, in bytes as it is shown. What lies in a
// folder with a longer one stands under the folder's number, as if nothing were
// known above it: see [File.Deep].
//
// A path costs as many bytes as folders lie above it, for each entry: without
// a bound a chain of folders costs the square of its length. The bound is that
// of the system that lets programs name the longest paths without special
// means: PATH_MAX of Linux is 4096 bytes (include/uapi/linux/limits.h), that
// of macOS 1024 (sys/syslimits.h), MAX_PATH of Windows 260 characters, and up to
// 32,767 only behind the prefix \\?\ (Microsoft, "Maximum Path Length
// Limitation"). So every file that can be named on such a system has its
// whole path. A name has one byte and a separator at least: no bound of its own is
// needed for the number of folders, which is at most half of this one.
const PathLimit = 4096

// Paths are the folders of a volume as far as the paths of what lies in them
// need them. K is what a reader knows a folder by. Whole paths are not kept:
// each is made when it is asked for, from at most [PathLimit] bytes of names.
// It is safe for several goroutines where up is.
type Paths[K comparable] struct {
	root  K
	id    func(K) uint64
	up    func(K) (name string, above K, ok bool)
	rings map[K]bool // where rings of folders that lie in each other were opened
	deep  map[K]K    // folders with too long a path, and where it would begin
}

// NewPaths takes the folders of a volume. id is the number that a folder
// is listed by; up its shown name and the folder that it lies in, where both are
// known and it is not the root. Of folders that lie in each other in a ring, the
// first that is met again is taken for one of which nothing is known.
func NewPaths[K comparable](folders iter.Seq[K], root K, id func(K) uint64, up func(K) (name string, above K, ok bool)) *Paths[K] {
	p := &Paths[K]{root: root, id: id, up: up, rings: map[K]bool{}, deep: map[K]K{}}
	type step struct {
		folder K
		name   int
	}
	const open = 1<<16 - 1
	lengths := map[K]uint16{root: 0} // of paths, up to PathLimit+1
	var way []step
	lastAbove, lastTop := root, root
	for folder := range folders {
		way = way[:0]
		at := folder
		for {
			length, met := lengths[at]
			if met && length != open {
				break
			}
			name, above, ok := "", at, false
			if met {
				p.rings[at] = true
			} else {
				name, above, ok = up(at)
			}
			if !ok {
				lengths[at] = uint16(len(UnknownParent(id(at))))
				break
			}
			lengths[at] = open
			way = append(way, step{at, len(name)})
			at = above
		}
		for i := len(way) - 1; i >= 0; i-- {
			s := way[i]
			if p.rings[s.folder] {
				at = s.folder
				continue
			}
			length := int(lengths[at]) + s.name
			if lengths[at] > 0 {
				length++
			}
			if length > PathLimit {
				length = PathLimit + 1
				if lastAbove != at {
					lastAbove, lastTop = at, p.top(at)
				}
				p.deep[s.folder] = lastTop
			}
			lengths[s.folder] = uint16(length)
			at = s.folder
		}
	}
	return p
}

// top is the folder with which the path of one begins.
func (p *Paths[K]) top(folder K) K {
	for {
		if top, deep := p.deep[folder]; deep {
			return top
		}
		_, above, ok := p.above(folder)
		if !ok {
			return folder
		}
		folder = above
	}
}

func (p *Paths[K]) above(folder K) (name string, above K, ok bool) {
	if folder == p.root || p.rings[folder] {
		return "", folder, false
	}
	return p.up(folder)
}

// of is the path of a folder, "" for the root, and the folder with which it
// begins. deep is set where it would be longer than [PathLimit].
func (p *Paths[K]) of(folder K) (path string, top K, deep bool) {
	if top, deep := p.deep[folder]; deep {
		return UnknownParent(p.id(folder)), top, true
	}
	var room [16]string
	names, size, top := room[:0], 0, folder
	for {
		name, above, ok := p.above(top)
		if !ok {
			break
		}
		names = append(names, name)
		size += len(name) + 1
		top = above
	}
	base := ""
	if top != p.root {
		base = UnknownParent(p.id(top))
	}
	if len(names) == 0 {
		return base, top, false
	}
	b := append(make([]byte, 0, len(base)+size), base...)
	for i := len(names) - 1; i >= 0; i-- {
		if len(b) > 0 {
			b = append(b, '/')
		}
		b = append(b, names[i]...)
	}
	return string(b), top, false
}

// Namer gives entries their paths. It remembers the folder that it was last
// asked for, so it is for one goroutine.
type Namer[K comparable] struct {
	paths *Paths[K]
	asked bool
	last  K
	path  string
	top   K
	deep  bool
}

// Namer is one that makes paths of these folders.
func (p *Paths[K]) Namer() Namer[K] { return Namer[K]{paths: p} }

// Path is the path of what has a shown name in a folder. deep is to be told of
// the entry, as [File.Deep].
func (n *Namer[K]) Path(folder K, shown string) (path string, deep bool) {
	n.ask(folder)
	return Join(n.path, shown), n.deep
}

// Folder is the path of a folder itself, "" for the root's; where that is too
// long, the one that stands for it.
func (n *Namer[K]) Folder(folder K) string {
	n.ask(folder)
	return n.path
}

// Top is the folder with which the path of one begins: the root, or one of which
// nothing more is known.
func (n *Namer[K]) Top(folder K) K {
	n.ask(folder)
	return n.top
}

func (n *Namer[K]) ask(folder K) {
	if !n.asked || n.last != folder {
		n.asked, n.last = true, folder
		n.path, n.top, n.deep = n.paths.of(folder)
	}
}

package ext

import (
	"cmp"
	"context"
	"slices"
	"sort"

	"fileassay/extract"
	"fileassay/extract/ranges"
)

// name is an entry of a folder: 16 bytes for each of the volume's names.
type name struct {
	child, parent uint32
	ref           uint64 // offset in the names' bytes << 16 | length << 8 | type
}

// nameList is a list of names with their bytes.
type nameList struct {
	list  []name
	bytes []byte
}

func (l *nameList) add(parent, child uint32, kind uint8, b []byte) {
	l.list = append(l.list, name{child, parent, uint64(len(l.bytes))<<16 | uint64(len(b))<<8 | uint64(kind)})
	l.bytes = append(l.bytes, b...)
}

// append adds the names of o.
func (l *nameList) append(o *nameList) {
	base := uint64(len(l.bytes)) << 16
	for _, n := range o.list {
		n.ref += base
		l.list = append(l.list, n)
	}
	l.bytes = append(l.bytes, o.bytes...)
}

// text is the name itself.
func (l *nameList) text(n name) []byte {
	at := n.ref >> 16
	return l.bytes[at : at+n.ref>>8&0xFF]
}

func (n name) kind() uint8 { return uint8(n.ref) }

// sort puts the names of an inode side by side, those of one in the order in
// which they were found.
func (l *nameList) sort() {
	slices.SortFunc(l.list, func(a, b name) int {
		return cmp.Or(cmp.Compare(a.child, b.child), cmp.Compare(a.ref, b.ref))
	})
}

// from is the index of the first name of an inode or of one after it.
func (l *nameList) from(child uint32) int {
	return sort.Search(len(l.list), func(i int) bool { return l.list[i].child >= child })
}

// of are the names of an inode.
func (l *nameList) of(child uint32) []name {
	from := l.from(child)
	to := from
	for to < len(l.list) && l.list[to].child == child {
		to++
	}
	return l.list[from:to]
}

// folder is a folder of the volume.
type folder struct {
	number uint32
	parent uint32 // by its own ".." entry, 0 where unknown
	name   int    // index of the name that it goes by; -1 where none is known
	cut    bool   // some of its entries are unread or condemned
	first  bool   // its first block is at hand
	astray bool   // blocks of it may stand where its inode does not say
	seed   uint32 // of the checksums of its blocks
	subs   uint32 // folders that go by a name in it
	// unused is set where the inode bitmap calls the inode free, ghost where
	// moreover no folder in use names it: a remnant, and so are its entries.
	unused, ghost bool
}

// tree is the volume's folders with all names in them.
type tree struct {
	*records
	names   nameList
	folders []folder            // by number
	why     map[uint32][]string // remarks on folders, by number
	bad     int64               // inodes and folder blocks that were read and are none
	// cutBlocks counts the folder blocks that were unread or condemned, in
	// whole or in part, or that could not be located.
	cutBlocks int64
	cutOf     int // folders they belong to
	untested  int // blocks whose checksum vouches for no name, since not all that it covers was read
	found     int // folders whose inodes are unread and whose blocks were found

	// above are the numbers that folders name as the one above, where entries do
	// not tell what kind of file they name.
	above map[uint32]bool

	paths   *extract.Paths[uint32] // set once all folders have their names
	claimed disputed
}

// find is the folder of a number, nil where it is none that was read.
func (t *tree) find(number uint32) *folder {
	if i, ok := t.index(number); ok {
		return &t.folders[i]
	}
	return nil
}

// index is where it stands in folders.
func (t *tree) index(number uint32) (int, bool) {
	return slices.BinarySearchFunc(t.folders, number, func(f folder, n uint32) int { return cmp.Compare(f.number, n) })
}

// namesFolder reports whether an entry is that of a folder, whose inode may be
// unread.
func (t *tree) namesFolder(n name) bool {
	if k := n.kind(); k != direntUnknown {
		return k == direntFolder
	}
	if t.find(n.child) != nil || t.above[n.child] {
		return true
	}
	return n.child == t.sb.FirstInode && n.parent == rootInode && string(t.names.text(n)) == "lost+found"
}

// readTree finds all folders and reads their entries. What the search for
// folders with unread inodes finds it claims in the volume's space.
func readTree(ctx context.Context, v *records, w *space, journal []ranges.Range) (*tree, error) {
	t := &tree{records: v, why: map[uint32][]string{}}
	plans, c, err := t.planFolders(ctx)
	if err != nil {
		return nil, err
	}
	t.shareOut(plans)
	batches := slices.Collect(slices.Chunk(plans, 64))
	err = extract.InOrder(ctx, v.opt.Workers(), len(batches),
		func(_ context.Context, i int) (nameList, error) {
			var names nameList
			for k := range batches[i] {
				t.readFolder(&batches[i][k], &names)
			}
			return names, nil
		},
		func(names nameList) error {
			t.names.append(&names)
			return nil
		})
	if err != nil {
		return nil, err
	}
	t.folders = make([]folder, len(plans))
	for i := range plans {
		p := &plans[i]
		t.folders[i] = folder{number: p.number, parent: p.parent, name: -1, cut: p.cutBlocks > 0, first: p.first, astray: p.astray, seed: p.seed, unused: p.unused}
		t.bad += int64(p.bad)
		t.untested += p.untested
		if p.cutBlocks > 0 {
			t.cutBlocks += p.cutBlocks
			t.cutOf++
		}
		if p.why != nil {
			t.why[p.number] = p.why
		}
	}
	t.names.sort()
	if err := t.findLostFolders(ctx, w, c); err != nil {
		return nil, err
	}
	if v.sb.Incompat&incompatFiletype == 0 {
		t.above = map[uint32]bool{}
		for i := range t.folders {
			t.above[t.folders[i].parent] = true
		}
	}
	if t.claimed, err = t.findDisputed(ctx, c, journal); err != nil {
		return nil, err
	}
	t.nameFolders()
	t.setPaths()
	return t, nil
}

// nameFolders chooses the name that each folder goes by: one in the parent
// that its own ".." entry names, or the first.
func (t *tree) nameFolders() {
	for i := range t.folders {
		f := &t.folders[i]
		if f.number == rootInode {
			continue
		}
		for k := t.names.from(f.number); k < len(t.names.list) && t.names.list[k].child == f.number; k++ {
			n := t.names.list[k]
			if kind := n.kind(); kind != direntFolder && kind != direntUnknown || n.parent == f.number {
				continue
			}
			if f.name < 0 || f.parent != 0 && n.parent == f.parent && t.names.list[f.name].parent != f.parent {
				f.name = k
			}
		}
	}
	t.cutLoops()
	for i := range t.folders {
		if k := t.folders[i].name; k >= 0 && !t.folders[i].ghost {
			if up := t.find(t.names.list[k].parent); up != nil {
				up.subs++
			}
		}
	}
}

// cutLoops finds the ghosts, and takes the name from one folder of every ring of
// folders that hold each other, so that every way up ends.
func (t *tree) cutLoops() {
	const open, done = 1, 2
	state := make([]uint8, len(t.folders))
	var way []int
	for i := range t.folders {
		way = way[:0]
		for k := i; state[k] != done; {
			if state[k] == open { // a ring closes here
				t.why[t.folders[k].number] = append(t.why[t.folders[k].number], "it is said to lie inside itself")
				t.folders[k].name = -1
				break
			}
			state[k] = open
			way = append(way, k)
			f := &t.folders[k]
			if f.name < 0 {
				break
			}
			up, ok := t.index(t.names.list[f.name].parent)
			if !ok {
				break
			}
			k = up
		}
		for j := len(way) - 1; j >= 0; j-- {
			f := &t.folders[way[j]]
			state[way[j]] = done
			if !f.unused {
				continue
			}
			f.ghost = true
			if f.name >= 0 {
				up := t.find(t.names.list[f.name].parent)
				f.ghost = up != nil && up.ghost
			}
		}
	}
}

// setPaths makes the folders' paths ready.
func (t *tree) setPaths() {
	numbers := func(yield func(uint32) bool) {
		for i := range t.folders {
			if !yield(t.folders[i].number) {
				return
			}
		}
	}
	t.paths = extract.NewPaths(numbers, rootInode, func(number uint32) uint64 { return uint64(number) }, func(number uint32) (string, uint32, bool) {
		f := t.find(number)
		if f == nil || f.name < 0 {
			return "", 0, false
		}
		n := t.names.list[f.name]
		shown, _ := extract.NameFromBytes(t.names.text(n))
		return shown, n.parent, true
	})
}

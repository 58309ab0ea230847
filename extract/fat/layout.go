package fat

import (
	"fmt"

	"fileassay/extract"
	"fileassay/extract/bitmap"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// layout is a volume that was located: all that lies where the boot sector puts
// it, or the root.
type layout struct {
	geometry
	r      *image.Reader
	format format
	table  *table
	chains *chains
	// unproved says that nothing that was read proves the place of the table.
	unproved bool
	// witnesses are where the proof of the place of the clusters would stand, where
	// there is none.
	witnesses []ranges.Range

	root        uint32           // first cluster of the root; 0 for a fixed one
	rootParts   []extract.Extent // what is known to hold it
	folderBytes int64            // the most that a folder may have

	alloc extract.Space // what is in use of the heap; nil where nothing tells
	// bits is the bitmap that every file's clusters must stand in; nil where the
	// root leads to none, or the table says it all.
	bits   *bitmap.Map
	bitsAt []extract.Extent // where it lies
	own    []extract.Extent // clusters of the volume's own structures

	head  []byte // room for the beginning of a folder
	notes []string
	open  extract.Doubt // of the list alone: how the volume was left
	doubt extract.Doubt
}

func (l *layout) note(format string, args ...any) {
	l.notes = append(l.notes, fmt.Sprintf(format, args...))
}

// place sets where the clusters lie, and the table in some of its copies.
func (l *layout) place(a *area, copies ...int64) {
	if l.length > 0 && a.length() > l.length {
		l.note("the boot sector states %d bytes, the partition has %d", a.length(), l.length)
	}
	l.length, l.heap = max(l.length, a.length()), l.start+a.HeapSector*a.SectorSize
	l.cluster, l.clusters, l.root = a.ClusterSize, a.Clusters, a.RootCluster
	l.table = l.tableOf(a, copies...)
	l.chains = &chains{geometry: &l.geometry, table: l.table}
}

// tableOf is the table in some of its copies.
func (l *layout) tableOf(a *area, copies ...int64) *table {
	var at []int64
	for _, i := range copies {
		at = append(at, l.start+a.tableAt(i))
	}
	return newTable(l.r, at, a.tableBytes(), a.Width, a.Clusters)
}

// readRoot finds the parts of the root and decodes it, for what it tells of the
// volume.
func (l *layout) readRoot() tally {
	if l.root != 0 {
		l.rootParts = l.folderParts(l.root)
	}
	return l.entries(folder{Root: true, First: l.root}, l.rootParts, func(*entry) {})
}

// folderParts is where the folder lies whose first cluster is c, by its chain.
func (l *layout) folderParts(c uint32) []extract.Extent {
	var seen set
	return extents(l.chains.follow(c, -1, l.folderLimit(), func(c uint32, _ *followed) stop {
		if !seen.add(c) {
			return stopLoop
		}
		return stopWhole
	}).runs)
}

// folderLimit is the most clusters of a folder.
func (l *layout) folderLimit() int64 { return max(l.need(l.folderBytes), 1) }

// entries decodes the folder that lies in parts.
func (l *layout) entries(f folder, parts []extract.Extent, yield func(*entry)) tally {
	return l.entriesIn(f, func(visit func(slot) bool) { eachSlot(l.r, parts, visit) }, yield)
}

// entriesIn decodes the folder that has some slots.
func (l *layout) entriesIn(f folder, slots func(visit func(slot) bool), yield func(*entry)) tally {
	return l.format.entries(f, slots, func(e *entry) {
		if e.Guessed && !e.Folder && l.valid(e.First) {
			if s, _ := l.look(e.First, l.at(e.First)); s.Folder {
				e.Folder, e.Valid = true, e.Size
			}
		}
		yield(e)
	})
}

// look judges what stands at an image offset of the chain from c as a folder;
// ok is false where not all that must be seen of it was read.
func (l *layout) look(c uint32, at int64) (s look, ok bool) {
	if l.head == nil {
		l.head = make([]byte, min(l.format.folderHead(), l.cluster))
	}
	if _, err := l.r.ReadAt(l.head, at); err != nil {
		return look{}, false
	}
	return l.format.folderStart(c, l.head), true
}

// byBitmap reports whether a bitmap says what is in use, so that a cluster in
// use may have no entry in the table.
func (l *layout) byBitmap() bool { return l.table.width == widthExFAT }

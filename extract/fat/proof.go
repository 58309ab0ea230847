package fat

import (
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	"fmt"

	"fileassay/extract"
)

// Where a boot sector puts the clusters of a FAT volume is proved by another
// witness that says the same, or no file of the volume is intact. The witnesses,
// the strongest first:
//
//   - Folders. A folder behind cluster 2 begins in its place with a slot "." that
//     names its cluster: that follows from the size of a cluster and the place of
//     cluster 2, and from no wrong ones but by chance. They settle what others
//     contradict, as long as few folders that were read begin otherwise.
//   - The free count. The table, all of it read, has as many free clusters as
//     FAT32's information sector says: that follows from the number of clusters,
//     and so from their size and the room for them.
//   - The copy of FAT32's boot sector, which states the same parameters.
//   - The shape of the volume. The size of a cluster: a file of several clusters
//     has a chain of as many as its size asks for (with clusters of another size
//     none has), or the table is as long as this size needs, too short for clusters
//     of half of it and too long for those of twice. And the place of cluster 2:
//     each copy of the table begins where it must, or is the same as the first for
//     a sector in use; and on FAT12 and FAT16, where the root lies between, a folder
//     in cluster 2 names itself, or the root is seen to end at cluster 2
//     ([fatFormat.rootFits]), or the files are seen to end: behind the last byte of
//     two or more, at different places of their sectors, are zeros up to the sector's
//     end, and that byte is none. With cluster 2 a sector off, other sectors would
//     have to end at just these places. Files behind which something else stands
//     speak against it. A volume of which nothing lists anything needs neither.
//
// What was read and says otherwise is a contradiction: a copy of the boot sector
// that states other parameters, a slot "." that names another cluster than the one
// it stands in, a root that begins with such a slot, a table that does not begin
// where it must. The drivers' choice, the boot sector, is listed then and nothing
// is proved, unless folders or the free count settle it; where they speak for the
// copy and not for the boot sector, the copy is taken.
//
// A volume that was worked out from its content (fatrebuild.go) has its proof in
// that.

// witness is what there is to be said for a volume's geometry, and against it.
type witness struct {
	settled bool     // folders or the free count bear it out
	against []string // what contradicts it
	proved  bool
}

// The most that is looked at for a proof.
const (
	proofFolders = 256
	proofFiles   = 1024
	proofSteps   = 1 << 16 // entries of the table
	minEnds      = 2       // files that are seen to end
)

// prove weighs what was read for and against where the boot sector puts the
// clusters.
func (d *fatFormat) prove(ctx context.Context, l *layout) (witness, error) {
	var w witness
	s, err := d.shown(ctx, l)
	if err != nil {
		return w, err
	}
	same, differs := d.twin, d.rival != nil
	tables, broken := d.tablesStand(l)
	switch {
	case s.in > s.elsewhere && s.in*8 > s.none:
		w.settled = true
	case d.boot.Width == width28 && tables && d.freeCounted(ctx, l):
		w.settled = true
	}
	against := func(yes bool, why string) {
		if yes {
			w.against = append(w.against, why)
		}
	}
	against(differs, "the boot sector and its copy, both read, do not state the same")
	against(s.elsewhere > 0 && s.in <= s.elsewhere, "folders that name their own cluster stand elsewhere than the boot sector puts that")
	against(s.rootDot, "the root begins with a slot that names another folder")
	same = same && len(w.against) == 0 // the copy outweighs what may be damage
	against(s.none > 0 && s.in*8 <= s.none, "no folder begins where the boot sector puts it")
	against(broken, "a table does not begin where the boot sector puts it")
	size := s.chains > s.cut || d.boot.lengthFits()
	bare := same && size // the copy states the parameters, and one more bears it out
	heap := tables && (d.boot.Width == width28 || s.two || s.bad == 0 && len(s.ends) >= minEnds || s.bad <= s.good && d.rootFits(l))
	w.proved = w.settled || bare || len(w.against) == 0 && (size && heap || tables && s.empty)
	return w, ctx.Err()
}

// shown is what the folders and files of a volume show of its geometry.
type shown struct {
	in, elsewhere, none int            // folders behind cluster 2 that name their cluster, another one, or do not begin as folders
	two                 bool           // the one in cluster 2 names it
	ends                map[int64]bool // places in a sector at which files were seen to end
	good, bad           int            // files that were seen to end, and those behind whose end something stands or before it nothing
	rootDot             bool           // the root is another folder
	empty               bool           // nothing stands in the root, all of which was read: no cluster is anything's
	chains, cut         int            // files of several clusters whose chain has the length that their size asks for; files of any whose chain has another
}

// shown looks at the folders from the root down, as far as need be.
func (d *fatFormat) shown(ctx context.Context, l *layout) (shown, error) {
	s := shown{ends: map[int64]bool{}}
	files := 0
	steps := int64(proofSteps)
	file := func(e *entry) {
		need := l.need(e.Size)
		if files++; files > proofFiles || e.Folder || e.NameOnly || e.Doubtful || need == 0 || !l.valid(e.First) {
			return
		}
		if steps -= need; steps < 0 {
			return
		}
		f := l.chains.follow(e.First, -1, need, func(uint32, *followed) stop { return stopWhole })
		switch {
		case f.stop == stopUnread:
			return
		case f.stop != stopWhole || f.n != need:
			s.cut++
			return
		case need > 1:
			s.chains++
		}
		l.endOf(&s, e.Size, f.at)
	}
	if len(l.rootParts) > 0 {
		if _, ok := l.look(0, l.rootParts[0].Image); ok {
			s.rootDot = isDot(l.head)
		}
	}
	seen := 0
	_, err := l.eachFolder(ctx, file, func(c uint32, k look) bool {
		seen++
		switch {
		case k.Head && c == firstCluster:
			s.two = true
		case c == firstCluster:
		case k.Head:
			s.in++
		case isDot(l.head):
			s.elsewhere++
		default:
			s.none++
		}
		return seen < proofFolders && s.in < 8
	})
	s.empty = files == 0 && len(l.rootParts) > 0 && l.r.IsRead(l.rootParts[0].Image, l.rootParts[0].Length)
	return s, err
}

// leastRest is how many zeros behind a file show that it ends there.
const leastRest = 8

// endOf looks at the sector in which a file of some size ends, whose last cluster is c.
func (l *layout) endOf(s *shown, size int64, c uint32) {
	in := size % unit
	if in == 0 || unit-in < leastRest || l.cluster < unit {
		return
	}
	b := make([]byte, unit)
	if _, err := l.r.ReadAt(b, l.at(c)+(size-1)%l.cluster/unit*unit); err != nil {
		return
	}
	switch rest := bytes.Equal(b[in:], zeros[in:]); {
	case rest && b[in-1] != 0:
		s.ends[in] = true
		s.good++
	case !rest, bytes.Equal(b, zeros[:]):
		s.bad++
	}
}

// isDot reports whether b begins with a slot ".".
func isDot(b []byte) bool {
	e := parseShort(b)
	return e.Name == dot && e.Attr&attrFolder != 0
}

// sameGeometry reports whether two boot sectors of FAT32 state the same volume.
func (s *fatBoot) sameGeometry(o *fatBoot) bool {
	return s.area == o.area && s.RootEntries == o.RootEntries
}

// lengthFits reports whether the table has the length that this size of a cluster
// needs and no size of half or twice does.
func (s *fatBoot) lengthFits() bool {
	room := (s.Sectors - s.HeapSector) * s.SectorSize
	need := func(cluster int64) int64 {
		bits := (room/cluster + firstCluster) * form{width: s.Width}.bits()
		return (bits + 8*s.SectorSize - 1) / (8 * s.SectorSize)
	}
	n := need(s.ClusterSize)
	return n <= s.TableSectors && s.TableSectors < need(s.ClusterSize/2) && 2*(s.TableSectors-n) < n && need(2*s.ClusterSize) < n
}

// tablesStand reports whether every copy of the table stands in its place, and
// whether one that was read does not begin as a table.
func (d *fatFormat) tablesStand(l *layout) (all, broken bool) {
	all = true
	first := l.start + d.boot.tableAt(0)
	b := make([]byte, 4)
	begun := 0
	for i := range d.boot.Tables {
		at := l.start + d.boot.tableAt(i)
		switch _, err := l.r.ReadAt(b, at); {
		case err == nil && l.table.begins(b):
			begun++
		case err == nil:
			broken = true
		case i == 0 || !d.alike(l, first, at):
			all = i == 0 && all
		}
	}
	return all && begun > 0 && !broken, broken
}

// alike reports whether two copies of the table have a sector in common that is in
// use: its entries are numbers of clusters, so that no two parts of a table are the
// same.
func (d *fatFormat) alike(l *layout, one, two int64) bool {
	const most = 256 // sectors looked at
	a, b := make([]byte, unit), make([]byte, unit)
	for off := int64(unit); off < min(d.boot.tableBytes(), most*unit); off += unit {
		_, err1 := l.r.ReadAt(a, one+off)
		_, err2 := l.r.ReadAt(b, two+off)
		if err1 == nil && err2 == nil && bytes.Equal(a, b) && likeTable(a) {
			return true
		}
	}
	return false
}

// freeCounted reports whether the information sector has the number of the table's
// free clusters.
func (d *fatFormat) freeCounted(ctx context.Context, l *layout) bool {
	b := make([]byte, bootSectorSize)
	if at := d.boot.InfoSector * d.boot.SectorSize; at <= 0 || !l.r.IsRead(l.table.copies[0], l.table.size) {
		return false
	} else if _, err := l.r.ReadAt(b, l.start+at); err != nil || !infoSector(b) {
		return false
	}
	free := int64(0)
	err := l.table.eachPage(ctx, func(_ *page, c uint32, k int64) error {
		for ; k > 0; c, k = c+1, k-1 {
			if l.table.entry(c).Mark == markFree {
				free++
			}
		}
		return nil
	})
	return err == nil && free > 0 && free == int64(binary.LittleEndian.Uint32(b[488:]))
}

// rootFits reports whether the fixed root is seen to end: it has an end mark, and all
// that was read behind that is zeros. It must have as many slots as its kind of volume
// has, too, or end where cluster 2, which is in use, begins with something else.
func (d *fatFormat) rootFits(l *layout) bool {
	root := l.rootParts[0]
	b := l.r.Partial(make([]byte, root.Length), root.Image)
	ended := false
	for i := int64(0); i+slotSize <= root.Length; i += slotSize {
		p, ok := b.Get(int(i), slotSize)
		switch {
		case ok && ended && !bytes.Equal(p, zeros[:slotSize]):
			return false
		case ok:
			ended = ended || p[0] == slotEnd
		}
	}
	if !ended || d.boot.usualRoot() {
		return ended
	}
	first := make([]byte, min(unit, l.cluster))
	_, err := l.r.ReadAt(first, l.heap)
	used := l.table.entry(firstCluster).Mark
	return err == nil && !bytes.Equal(first, zeros[:len(first)]) && used != markFree && used != markUnread && b.Whole()
}

// usualRoot reports whether the fixed root has as many slots as its kind of volume
// has: 512, and on floppy disks what follows from their size (Overview, "FAT Volume
// Initialization"; common practice).
func (s *fatBoot) usualRoot() bool {
	slots := map[int64]int64{320: 64, 360: 64, 640: 112, 720: 112, 1440: 112, 2400: 224, 2880: 224, 5760: 240}[s.Sectors]
	return s.RootEntries == cmp.Or(slots, 512)
}

var zeros [unit]byte

const unproven = "nothing that was read bears out where the boot sector puts the clusters"

// doubts is what the walk says of a volume whose geometry is not proved.
func (w *witness) doubts() extract.Doubt {
	switch {
	case w.proved:
		return nil
	case len(w.against) == 0:
		return extract.Doubt{unproven}
	}
	var out extract.Doubt
	for _, s := range w.against {
		out = append(out, fmt.Sprintf("%s: where the clusters lie is not proved", s))
	}
	return out
}

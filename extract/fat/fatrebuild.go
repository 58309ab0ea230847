package fat

import (
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	"iter"
	"math"
	"slices"

	"fileassay/extract"
	"fileassay/extract/imap"
	"fileassay/extract/partial"
)

// What stands here serves a FAT volume whose boot sector is lost, and its copy where
// it has one. Proofs follow each other:
//
//   - Every folder but the root begins with a slot "." that names its own
//     cluster. Three or more of them give the size of a cluster and the place of
//     cluster 2. Folders of an earlier volume may give others.
//   - The entries in these folders name first clusters and sizes of files. Only
//     where a table truly stands do the chains have the lengths that the sizes
//     ask for. Those of an earlier volume have none.
//   - Two such places are the two copies; their distance is the size of one, and
//     what lies between the second and cluster 2 is the root: nothing, on FAT32,
//     where the size so follows from cluster 2 too. Where too much of
//     one copy is unread to prove it so, it is the one place at which what was
//     read of it is the same as in the copy that is proved.
//
// Where a table is missing or not unique, the volume is listed by what its folders
// name, with no table, and nothing of it is proved.

const (
	unit = 512 // smallest sector: all places are multiples of it

	// maxRebuild bounds the volumes that are searched, and maxLook what is searched of
	// one where something like a table was seen in front, firstLook where not.
	maxRebuild = 2 << 40
	maxLook    = 4<<30 + 64<<20
	firstLook  = 64 << 20
	maxHeads   = 1024
	maxLeader  = 64 << 20 // bytes before cluster 2
	maxSamples = 1 << 13
	minHeads   = 3
	minGood    = 12
	minChains  = 3       // of these, of several clusters
	maxTries   = 8       // places of cluster 2 that are tried
	maxSteps   = 1 << 24 // entries and sectors looked at on the way
	maxRoots   = 4096    // clusters that are tried for the root
)

// head is the first sector of a folder.
type head struct {
	at int64  // from the volume's start
	c  uint32 // the cluster that it names
	up uint32 // that of its parent, 0 for the root
}

// sample is a file whose chain proves a table.
type sample struct {
	first uint32
	need  int64
}

// rebuilder finds the parameters of a volume without a boot sector.
type rebuilder struct {
	*layout
	length int64
	heads  []head
	others []int64 // places of boot sectors
	steps  int64   // left to be spent
}

// rebuild finds the parameters of a volume without a boot sector, and reports
// whether it could find any. It says in l.doubt where they are not proved.
func (d *fatFormat) rebuild(ctx context.Context, l *layout) bool {
	t := rebuilder{layout: l, length: l.length, steps: maxSteps}
	if t.length <= 0 {
		t.length = l.r.Size() - l.start
	}
	if t.length > maxRebuild || t.length < 64*unit {
		return false
	}
	t.findHeads(ctx)
	found, bases := t.search(ctx)
	d.steps = maxSteps - t.steps
	switch {
	case ctx.Err() != nil:
		return false
	case len(found) == 1:
		d.boot = found[0]
		if !t.frontFree(&d.boot) {
			l.doubt = append(l.doubt, "the boot sector is lost, and what stands in front of the tables is not known or something else's: they may be those of an image in a file")
		}
		if d.boot.Width == width28 && d.boot.RootCluster != firstCluster {
			l.doubt = append(l.doubt, "the boot sector is lost, and the root does not stand where formatting programs put it: it may be an old one")
		}
	case len(bases) > 0 && (len(bases) == 1 || bases[0].votes >= 3*bases[1].votes):
		d.boot = t.untabled(bases[0])
		l.doubt = append(l.doubt, "the boot sector is lost, and where the allocation table stands was not found")
	default:
		return false
	}
	t.end(&d.boot)
	l.open = append(l.open, "the boot sector is lost: where the volume ends, and what more stood in it, is not known")
	return true
}

// search tries the places that folders give for cluster 2 with the tables in front of
// them; bases are those places, the likeliest first.
func (t *rebuilder) search(ctx context.Context) (found []fatBoot, bases []base) {
	bases = t.bases()
	for _, b := range bases[:min(len(bases), maxTries)] {
		leader := t.r.Partial(make([]byte, b.heap), t.start)
		room := (t.length - b.heap) / b.cluster
		for _, w := range []width{width12, width16, width28} {
			least, most := map[width]int64{width12: 0, width16: leastFAT16 / 2, width28: leastFAT16}[w], map[width]int64{width12: leastFAT16, width16: leastFAT32, width28: 1 << 28}[w]
			if w == width12 && room >= 2*leastFAT16 || room < least || b.wide && w != width28 {
				continue
			}
			// a partition may be larger than its volume: the marks of a chain's end
			// are no clusters
			s := fatBoot{area: area{SectorSize: unit, ClusterSize: b.cluster, Sectors: t.length / unit, Tables: 2, HeapSector: b.heap / unit,
				Clusters: uint32(min(room, most-1)), Width: w}}
			if t.tables(ctx, leader, &s, t.samples(&s, b)) && t.root(&s, b) {
				s.fitTable()
				found = append(found, s)
			}
		}
	}
	return found, bases
}

// tables finds the two copies of the table in front of cluster 2.
func (t *rebuilder) tables(ctx context.Context, leader partial.Bytes, s *fatBoot, samples []sample) bool {
	if len(samples) < minGood {
		return false
	}
	var places []int64
	for at := int64(1); at < s.HeapSector && t.steps > 0 && ctx.Err() == nil; at++ {
		if v := (tableOnTrial{form{s.Width, s.Clusters}, leader, at * unit}); v.proved(samples, &t.steps) {
			places = append(places, at)
		}
	}
	twin := twins{leader, &t.steps}
	if len(places) == 1 && s.Width == width28 {
		places = twin.before(places[0], s.HeapSector)
	} else if len(places) == 1 {
		places = twin.of(places[0], (int64(s.Clusters)+2)*int64(s.Width)/8)
	}
	if len(places) != 2 || t.steps <= 0 {
		return false
	}
	s.TableSector, s.TableSectors = places[0], places[1]-places[0]
	root := s.HeapSector - s.TableSector - 2*s.TableSectors
	s.RootEntries = root * unit / slotSize
	if s.Width == width28 && root != 0 || s.Width != width28 && (root <= 0 || s.RootEntries > 1<<16) {
		return false
	}
	// the copies are the same but for a few sectors
	same, differ, _ := twin.compare(places[0], places[1], s.TableSectors, math.MaxInt)
	return differ*4 <= same
}

// root finds FAT32's root, and the fixed one where no table tells its place: it lists
// folders that name it as their parent.
func (t *rebuilder) root(s *fatBoot, b base) bool {
	top := map[uint32]bool{}
	for _, h := range t.heads {
		if h.up == 0 && b.has(h) {
			top[h.c] = true
		}
	}
	lists := func(at, n int64) bool {
		found := false
		eachSlot(t.r, []extract.Extent{{Image: t.start + at, Length: n}}, func(x slot) bool {
			if x.Bytes == nil {
				return true
			}
			e := parseShort(x.Bytes)
			if e.Name != dot && e.Name != dotdot && x.Bytes[0] != slotDeleted && !isLong(x.Bytes) && e.Attr&attrFolder != 0 && e.sensible() && top[b.number(e.First)] {
				found = true
			}
			return !found && x.Bytes[0] != slotEnd
		})
		return found
	}
	if s.Width != width28 {
		if s.RootEntries == 0 {
			s.RootEntries = 512 // which the Overview names
			for at := s.HeapSector - 1; at > max(s.HeapSector-mostReserved16/unit, 0); at-- {
				if n := s.HeapSector - at; n*unit/slotSize > s.RootEntries && lists(at*unit, unit) {
					s.RootEntries = n * unit / slotSize
				}
			}
			s.RootEntries = min(s.RootEntries, s.HeapSector*unit/slotSize)
			s.TableSector = s.HeapSector - s.RootEntries*slotSize/unit // of no table
		}
		return true
	}
	s.RootCluster = firstCluster // where formatting programs put it
	if !t.r.IsRead(t.start+b.heap, b.cluster) {
		return true
	}
	for c := range int64(min(s.Clusters, maxRoots)) {
		if at := b.heap + c*b.cluster; lists(at, b.cluster) && !t.isHead(at) {
			s.RootCluster = firstCluster + uint32(c)
			return true
		}
	}
	return !t.isHead(b.heap)
}

// bootUnits are the sectors at the beginning of a volume that programs and copies of
// the boot sector stand in.
const bootUnits = 32

// frontFree reports whether nothing but boot sectors stands in front of the tables. A
// file that holds an image of another volume has tables and folders that prove each
// other as well; but in front of it is its own volume.
func (t *rebuilder) frontFree(s *fatBoot) bool {
	b := t.r.Partial(make([]byte, s.TableSector*unit), t.start)
	for i := range s.TableSector {
		p, ok := b.Get(int(i*unit), unit)
		if ok && i > 0 && likeTable(p) || i >= bootUnits && (!ok || !bytes.Equal(p, zeros[:])) {
			return false
		}
	}
	return true
}

// isHead reports whether a folder other than the root begins at a place.
func (t *rebuilder) isHead(at int64) bool {
	return slices.ContainsFunc(t.heads, func(h head) bool { return h.at == at })
}

// untabled are the parameters of a volume of which no table was found.
func (t *rebuilder) untabled(b base) fatBoot {
	room := (t.length - b.heap) / b.cluster
	s := fatBoot{area: area{SectorSize: unit, ClusterSize: b.cluster, Sectors: t.length / unit, HeapSector: b.heap / unit, Clusters: uint32(min(room, 1<<28-1)), Width: width28}}
	switch {
	case b.wide:
	case room < leastFAT16:
		s.Width = width12
	case room < leastFAT32:
		s.Width = width16
	}
	t.root(&s, b)
	return s
}

// end lets the volume end where another begins that was found behind it, in a cluster
// that is not in use.
func (t *rebuilder) end(s *fatBoot) {
	table := t.tableOf(&s.area, s.allCopies()...)
	for _, at := range t.others {
		n := (at - s.HeapSector*unit) / s.ClusterSize
		if at <= s.HeapSector*unit || n > 0 && n < int64(s.Clusters) && table.entry(uint32(n)+firstCluster).Mark != markFree {
			continue
		}
		s.Sectors, s.Clusters = min(s.Sectors, at/unit), uint32(min(int64(s.Clusters), n))
		t.layout.length = s.Sectors * unit
		return
	}
}

// findHeads looks for first sectors of folders: in all of the volume if a table
// seems to stand at its begin, or a folder in the first part of it, else in that
// part alone. What was not read is passed over.
func (t *rebuilder) findHeads(ctx context.Context) {
	tables := false
	b := make([]byte, 1<<20)
	end := min(t.length, maxLook)
	for at := int64(0); at < end && len(t.heads) < maxHeads && ctx.Err() == nil; at += int64(len(b)) {
		if at >= firstLook && !tables && len(t.heads) == 0 {
			break
		}
		b = b[:min(int64(len(b)), end-at)]
		if t.r.Map().Tally(t.start+at, int64(len(b)))[imap.Read] == 0 {
			continue
		}
		t.r.ReadReadable(b, t.start+at) // what was not read comes as zeros, which are no head
		for i := int64(0); i+unit <= int64(len(b)); i += unit {
			x := b[i : i+unit]
			tables = tables || at < maxLeader && likeTable(x)
			if x[510] == 0x55 && x[511] == 0xAA && plausibleJump(x) && at+i > 0 && len(t.others) < maxTries {
				t.others = append(t.others, at+i)
			}
			if x[0] != '.' || x[1] != ' ' || x[slotSize] != '.' {
				continue
			}
			one, two := parseShort(x), parseShort(x[slotSize:])
			if one.Name == dot && two.Name == dotdot && one.Attr&two.Attr&attrFolder != 0 && one.First&0xFFFF >= firstCluster {
				t.heads = append(t.heads, head{at: at + i, c: one.First, up: two.First})
			}
		}
	}
}

// likeTable reports whether a sector looks like one of a table: it begins with a
// media byte and ones, or most of its entries of 16 bits name the cluster behind
// their own.
func likeTable(b []byte) bool {
	if b[0] >= 0xF0 && b[1] == 0xFF && b[2] == 0xFF {
		return true
	}
	next := 0
	for i := 2; i < len(b); i += 2 {
		if was := binary.LittleEndian.Uint16(b[i-2:]); was != 0 && binary.LittleEndian.Uint16(b[i:]) == was+1 {
			next++
		}
	}
	return next > len(b)/4
}

// base is a place of cluster 2, from the volume's start, with the size of a cluster
// that folders agree on.
type base struct {
	cluster, heap int64
	votes         int
	wide          bool // numbers of clusters have more than 16 bits
}

// number is the number of a cluster as slots give it: of FAT12 and FAT16 the high half
// is of no meaning.
func (b *base) number(c uint32) uint32 {
	if b.wide {
		return c
	}
	return c & 0xFFFF
}

// has reports whether a folder stands where this base puts it.
func (b *base) has(h head) bool {
	return h.at == b.heap+int64(b.number(h.c)-firstCluster)*b.cluster
}

// bases are the places that three folders or more agree on, those that most do first.
func (t *rebuilder) bases() []base {
	votes := map[base]map[uint32]bool{}
	for _, h := range t.heads {
		for size := int64(unit); size <= 256<<10; size *= 2 {
			for _, wide := range []bool{false, true} {
				b := base{cluster: size, wide: wide}
				c := b.number(h.c)
				if wide && h.c>>16 == 0 {
					continue
				}
				b.heap = h.at - int64(c-firstCluster)*size
				if b.heap < 3*unit || b.heap > min(t.length, maxLeader) || b.heap%unit != 0 {
					continue
				}
				if votes[b] == nil {
					votes[b] = map[uint32]bool{}
				}
				votes[b][h.c] = true
			}
		}
	}
	var list []base
	for b, set := range votes {
		// folders of a large volume: those with small numbers agree with both
		if low := (base{cluster: b.cluster, heap: b.heap}); b.wide {
			for c := range votes[low] {
				if c>>16 == 0 {
					set[c] = true
				}
			}
		}
		if b.votes = len(set); b.votes >= minHeads {
			list = append(list, b)
		}
	}
	slices.SortFunc(list, func(a, b base) int {
		return cmp.Or(cmp.Compare(b.votes, a.votes), cmp.Compare(a.cluster, b.cluster), cmp.Compare(a.heap, b.heap))
	})
	all := slices.Clone(list)
	return slices.DeleteFunc(list, func(b base) bool {
		return !b.wide && slices.ContainsFunc(all, func(o base) bool { return o.wide && o.cluster == b.cluster && o.heap == b.heap })
	})
}

// samples are files in the first clusters of the folders.
func (t *rebuilder) samples(s *fatBoot, b base) []sample {
	geo := &geometry{start: t.start, length: t.length, heap: t.start + b.heap, cluster: b.cluster, clusters: s.Clusters}
	var list []sample
	d := fatFormat{boot: fatBoot{area: area{Width: s.Width}}, geo: geo}
	d.codepage, _ = codepage("")
	for _, h := range t.heads {
		c := b.number(h.c)
		if len(list) >= maxSamples {
			break
		}
		if !geo.valid(c) || !b.has(h) {
			continue
		}
		parts := []extract.Extent{{Image: geo.at(c), Length: geo.cluster}}
		p := fatParser{fatFormat: &d, folder: folder{First: c}}
		p.yield = func(e *entry) {
			if need := geo.need(e.Size); !e.Folder && !e.NameOnly && geo.valid(e.First) && need > 0 && need <= int64(geo.clusters) {
				list = append(list, sample{e.First, need})
			}
		}
		eachSlot(t.r, parts, p.slot)
	}
	return list
}

// tableOnTrial is a table that may stand at a byte of what was read.
type tableOnTrial struct {
	form
	b  partial.Bytes
	at int64
}

// proved reports whether the chains of the samples have the lengths that their
// sizes ask for.
func (t *tableOnTrial) proved(list []sample, steps *int64) bool {
	good, long, bad := 0, 0, 0
	for _, s := range list {
		v, n := value{markNext, s.first}, int64(0)
		for v.Mark == markNext && n < s.need {
			v = t.entry(t.b, -t.at, v.Raw)
			n++
		}
		if *steps -= n; *steps < 0 {
			return false
		}
		switch {
		case v.Mark == markUnread:
		case v.Mark == markEnd && n == s.need:
			good++
			if n > 1 {
				long++
			}
		default:
			bad++
		}
		if bad > 32 && bad > good {
			return false
		}
	}
	return good >= minGood && long >= minChains && bad*20 <= good
}

// twins compares parts of what stands before cluster 2.
type twins struct {
	b     partial.Bytes
	steps *int64
}

// compare holds two tables of size units against each other where both were
// read, until more than most units differ; used says that some hold entries.
func (t *twins) compare(one, two, size int64, most int) (same, differ int, used bool) {
	for i := int64(0); i < size && differ <= most && *t.steps > 0; i++ {
		*t.steps -= 4
		x, okX := t.b.Get(int((one+i)*unit), unit)
		y, okY := t.b.Get(int((two+i)*unit), unit)
		switch {
		case !okX || !okY:
		case bytes.Equal(x, y):
			same++
			used = used || !bytes.Equal(x, zeros[:])
		default:
			differ++
		}
	}
	return same, differ, used
}

// of finds the other copy of the table at unit p, each of at least least bytes. It
// returns both places, or none.
func (t *twins) of(p, least int64) []int64 {
	units := int64(t.b.Len() / unit)
	return t.only(func(yield func(first, size int64) bool) {
		for size := (least + unit - 1) / unit; size < units; size++ {
			for _, first := range [...]int64{p - size, p} {
				if first >= 1 && first+2*size < units && !yield(first, size) {
					return
				}
			}
		}
	})
}

// before is of where the second copy ends at unit heap.
func (t *twins) before(p, heap int64) []int64 {
	return t.only(func(yield func(first, size int64) bool) {
		for _, first := range [...]int64{2*p - heap, p} {
			if size := (heap - first) / 2; first >= 1 && first+2*size == heap && !yield(first, size) {
				return
			}
		}
	})
}

// only is the one pair of copies, by the place of the first and their size, of which
// every sector that was read of both is the same, and one at least holds entries.
// Entries are numbers of clusters, so that no two parts of a table in use are alike.
// It returns both places; none where none or several pairs are so.
func (t *twins) only(pairs iter.Seq2[int64, int64]) (out []int64) {
	for first, size := range pairs {
		if _, differ, used := t.compare(first, first+size, size, 0); differ > 0 || !used {
			continue
		}
		if out != nil {
			return nil
		}
		out = []int64{first, first + size}
	}
	return out
}

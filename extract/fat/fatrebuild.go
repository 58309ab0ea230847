package fat

import (
	"bytes"
	"context"
	"encoding/binary"
	"math"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/partial"
)

// What stands here serves a FAT12 or FAT16 volume whose boot sector, of which
// there is no copy, is lost. Three proofs follow each other:
//
//   - Every folder but the root begins with a slot "." that names its own
//     cluster. Two or more of them give the size of a cluster and the place of
//     cluster 2, and the others must agree.
//   - The entries in these folders name first clusters and sizes of files. Only
//     where a table truly stands do the chains have the lengths that the sizes
//     ask for.
//   - Two such places are the two copies; their distance is the size of one, and
//     what lies between the second and cluster 2 is the root. Where too much of
//     one copy is unread to prove it so, it is the one place at which what was
//     read of it is the same as in the copy that is proved.
//
// Where any of these is missing or not unique, nothing is rebuilt.

const (
	unit = 512 // smallest sector: all places are multiples of it

	// maxRebuild bounds the volumes that are searched: FAT16 ends at 4 GiB
	// with the largest clusters.
	maxRebuild = 4<<30 + 64<<20
	firstLook  = 64 << 20 // bytes that are searched of any
	maxHeads   = 1024
	maxLeader  = 8 << 20 // bytes before cluster 2
	maxSamples = 512
	minHeads   = 3
	minGood    = 12
)

// head is the first sector of a folder.
type head struct {
	at int64 // from the volume's start
	c  uint32
}

// sample is a file whose chain proves a table.
type sample struct {
	first uint32
	need  int64
}

// rebuild finds the parameters of a volume without a boot sector, and reports
// whether it could prove them.
func (d *fatFormat) rebuild(ctx context.Context, l *layout) bool {
	length := l.length
	if length <= 0 {
		length = l.r.Size() - l.start
	}
	if length > maxRebuild || length < 64*unit {
		return false
	}
	heads := findHeads(ctx, l, length)
	cluster, heap, ok := heapOf(heads)
	if !ok || heap < 3*unit || heap > min(length, maxLeader) || heap%unit != 0 {
		return false
	}
	clusters := min((length-heap)/cluster, leastFAT32-1)
	geo := geometry{start: l.start, length: length, heap: l.start + heap, cluster: cluster, clusters: uint32(clusters)}
	samples := samplesOf(l.r, &geo, heads)
	leader := l.r.Partial(make([]byte, heap), l.start)
	found := 0
	var s fatBoot
	for _, w := range []width{width12, width16} {
		if w == width12 && clusters >= 2*leastFAT16 || w == width16 && clusters < leastFAT16/2 {
			continue
		}
		// a partition may be larger than its volume: the marks of a chain's end
		// are no clusters
		geo.clusters = uint32(min(clusters, map[width]int64{width12: leastFAT16, width16: leastFAT32}[w]-1))
		var places []int64
		for at := int64(1); at < heap/unit; at++ {
			if ctx.Err() != nil {
				return false
			}
			if t := (tableOnTrial{form{w, geo.clusters}, leader, at * unit}); t.proved(samples) {
				places = append(places, at)
			}
		}
		if len(places) == 1 {
			places = withTwin(leader, places[0], (int64(geo.clusters)+2)*int64(w)/8)
		}
		if len(places) != 2 {
			continue
		}
		size := places[1] - places[0]
		root := heap/unit - places[1] - size
		if root <= 0 || root*unit/slotSize > 1<<16 {
			continue
		}
		// the copies are the same but for a few sectors
		if same, differ, _ := compare(leader, places[0], places[1], size, math.MaxInt); differ*4 > same {
			continue
		}
		found++
		s = fatBoot{RootEntries: root * unit / slotSize, area: area{SectorSize: unit, ClusterSize: cluster,
			Sectors: length / unit, TableSector: places[0], TableSectors: size, Tables: 2, HeapSector: heap / unit, Clusters: geo.clusters, Width: w}}
	}
	if found != 1 {
		return false
	}
	s.fitTable()
	d.boot = s
	return true
}

// findHeads looks for first sectors of folders: in all of the volume if a table
// seems to stand at its begin, or a folder in the first part of it, else in that
// part alone.
func findHeads(ctx context.Context, l *layout, length int64) []head {
	var heads []head
	tables := false
	b := make([]byte, 1<<20)
	for at := int64(0); at < length && len(heads) < maxHeads && ctx.Err() == nil; at += int64(len(b)) {
		if at >= firstLook && !tables && len(heads) == 0 {
			break
		}
		b = b[:min(int64(len(b)), length-at)]
		l.r.ReadReadable(b, l.start+at) // what was not read comes as zeros, which are no head
		for i := int64(0); i+unit <= int64(len(b)); i += unit {
			tables = tables || at < maxLeader && likeTable(b[i:i+unit])
			if b[i] != '.' || b[i+1] != ' ' || b[i+slotSize] != '.' {
				continue
			}
			one, two := parseShort(b[i:]), parseShort(b[i+slotSize:])
			c := one.First & 0xFFFF
			if one.Name == dot && two.Name == dotdot && one.Attr&two.Attr&attrFolder != 0 && c >= firstCluster {
				heads = append(heads, head{at + i, c})
			}
		}
	}
	return heads
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

// heapOf finds the size of a cluster and the place of cluster 2 that most
// heads agree on; ok is false where too few do, or others are nearly as good.
func heapOf(heads []head) (cluster, heap int64, ok bool) {
	best, second := 0, 0
	for size := int64(unit); size <= 256<<10; size *= 2 {
		votes := map[int64]map[uint32]bool{}
		for _, h := range heads {
			base := h.at - int64(h.c-firstCluster)*size
			if base < 0 {
				continue
			}
			if votes[base] == nil {
				votes[base] = map[uint32]bool{}
			}
			votes[base][h.c] = true
		}
		for base, set := range votes {
			switch n := len(set); {
			case n > best:
				best, second, cluster, heap = n, best, size, base
			case n > second:
				second = n
			}
		}
	}
	return cluster, heap, best >= minHeads && best >= 3*second
}

// samplesOf are files of more than one cluster in the first clusters of the
// folders.
func samplesOf(r *image.Reader, geo *geometry, heads []head) []sample {
	var list []sample
	d := fatFormat{boot: fatBoot{area: area{Width: width16}}, geo: geo}
	d.codepage, _ = codepage("")
	for _, h := range heads {
		if len(list) >= maxSamples {
			break
		}
		if !geo.valid(h.c) || geo.at(h.c) != geo.start+h.at {
			continue
		}
		parts := []extract.Extent{{Image: geo.at(h.c), Length: geo.cluster}}
		p := fatParser{fatFormat: &d, folder: folder{First: h.c}}
		p.yield = func(e *entry) {
			if need := geo.need(e.Size); !e.Folder && !e.NameOnly && geo.valid(e.First) && need > 1 && need <= int64(geo.clusters) {
				list = append(list, sample{e.First, need})
			}
		}
		eachSlot(r, parts, p.slot)
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
func (t *tableOnTrial) proved(list []sample) bool {
	good, bad := 0, 0
	for _, s := range list {
		v, n := value{markNext, s.first}, int64(0)
		for v.Mark == markNext && n < s.need {
			v = t.entry(t.b, -t.at, v.Raw)
			n++
		}
		switch {
		case v.Mark == markUnread:
		case v.Mark == markEnd && n == s.need:
			good++
		default:
			bad++
		}
		if bad > 32 && bad > good {
			return false
		}
	}
	return good >= minGood && bad*20 <= good
}

// compare holds two tables of size units against each other where both were
// read, until more than most units differ; used says that some hold entries.
func compare(b partial.Bytes, one, two, size int64, most int) (same, differ int, used bool) {
	for i := int64(0); i < size && differ <= most; i++ {
		x, okX := b.Get(int((one+i)*unit), unit)
		y, okY := b.Get(int((two+i)*unit), unit)
		switch {
		case !okX || !okY:
		case bytes.Equal(x, y):
			same++
			used = used || !bytes.Equal(x, make([]byte, unit))
		default:
			differ++
		}
	}
	return same, differ, used
}

// withTwin finds the other copy of the table at unit p, each of at least least
// bytes: the only place at which every sector that was read of both is the
// same, and of these one at least holds entries. Entries are numbers of
// clusters, so that no two parts of a table in use are alike. It returns both
// places, or none.
func withTwin(b partial.Bytes, p, least int64) []int64 {
	var out []int64
	units := int64(b.Len() / unit)
	for size := (least + unit - 1) / unit; size < units; size++ {
		for _, first := range [...]int64{p - size, p} {
			if first < 1 || first+2*size >= units {
				continue
			}
			if _, differ, used := compare(b, first, first+size, size, 0); differ > 0 || !used {
				continue
			}
			if out != nil {
				return nil
			}
			out = []int64{first, first + size}
		}
	}
	return out
}

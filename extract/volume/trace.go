package volume

import (
	"bytes"
	"fmt"
	"slices"

	"fileassay/extract/fat"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// trace is a structure that speaks for a volume of a family without telling where
// that begins or how long it is.
type trace struct {
	family string
	from   string // what it is; "" for none
	at     int64
	back   int64 // how far before it the volume may begin
}

// maxTraces bounds the traces that a search remembers.
const maxTraces = 4096

// trace is what the sector at the start of win is a trace of.
func (p *places) trace(win []byte, at int64) trace {
	for _, k := range p.kinds {
		if k.Trace != nil {
			if from, back := k.Trace(win); from != "" {
				return trace{k.Name, from, at, back}
			}
		}
	}
	return trace{}
}

// alike reports whether a structure may be of either family: the tables of exFAT
// begin as those of FAT do.
func (t *trace) alike(family string) bool {
	return t.family == family || t.family == "fat" && family == "exfat"
}

// nearTraces is how far into a volume the first structures stand that traces are
// known of, but for the file table of a large NTFS volume, which Windows puts into
// cluster 786432 (common practice, no source).
const (
	nearTraces = 2 << 20
	farTable   = 786432 * 4096
)

// tracesNear are the traces near the start of a range, the first of each family.
// Group descriptors stand right behind the superblock.
func (p *places) tracesNear(start, length int64) (out []trace) {
	take := func(t trace) {
		seen := slices.ContainsFunc(out, func(o trace) bool { return o.family == t.family && t.family != "ext" })
		if t.from != "" && !seen && (t.family != "ext" || t.at <= start+headLength) {
			out = append(out, t)
		}
	}
	b := p.r.Partial(make([]byte, max(0, min(length, nearTraces, p.r.Size()-start))), start)
	var small []int // sectors that may begin a table of FAT12
	for at := 0; at+step <= b.Len(); at += step {
		n := min(windowSize, b.Len()-at)
		win, ok := b.Get(at, n)
		if !ok {
			if win, ok = b.Get(at, step); !ok {
				continue
			}
		}
		if isZero(win[:step]) {
			continue
		}
		take(p.trace(win, start+int64(at)))
		if !fat.Begins(win) {
			continue
		}
		small = slices.DeleteFunc(small, func(o int) bool { return at-o > fat.LargestTable12 })
		for _, o := range small {
			if other, _ := b.Get(o, step); bytes.Equal(other, win[:step]) {
				take(trace{"fat", "allocation table", start + int64(o), int64(o)})
			}
		}
		small = append(small, at)
	}
	if farTable < length {
		at := start + farTable
		take(p.trace(window(p.r, p.buf, at), at))
	}
	return out
}

// twin remembers a sector that may begin a table of FAT12, and takes it and an equal
// one near before it for the two tables of a volume.
func (s *search) twin(h *heard) {
	s.small = slices.DeleteFunc(s.small, func(o heard) bool { return h.at-o.at > fat.LargestTable12 })
	for _, o := range s.small {
		if o.begins == h.begins && len(s.traces) < maxTraces {
			s.traces = append(s.traces, trace{"fat", "allocation table", o.at, fat.LargestTable12})
			break
		}
	}
	s.small = append(s.small, *h)
}

// of reports whether the trace is what the volume that a content is has itself at
// its place.
func (t *trace) of(start int64, c *content) bool {
	if !t.alike(c.family) || c.closed && c.from != "" && c.family != t.family {
		return false
	}
	if t.family != "ext" || c.cluster == 0 {
		return true
	}
	return t.at == start+max(2048, min(c.cluster, headLength)) // the block behind the superblock's
}

// content is the volume that the trace speaks for, which does not open.
func (t *trace) content(r *image.Reader) content {
	return content{filesystem: t.family, family: t.family, rests: onCopy, closed: true, from: fmt.Sprintf("%s at offset %d", t.from, r.Origin(t.at))}
}

// near is how far behind a trace others are taken for further sectors of the same
// structure.
func (t *trace) near() int64 {
	if t.family == "ext" {
		return 64 << 10 // the descriptors of the groups whose bitmaps stand in the first one
	}
	return nearTraces
}

// ownTraces is how many traces a volume has itself: the file table and its mirror,
// two allocation tables.
const ownTraces = 2

// unclaimed are the traces that no tenant has itself, as its first ones tell.
// Group descriptors behind a superblock are that volume's.
func (s *search) unclaimed(all []tenant) []trace {
	own := make([]int, len(all))
	var out []trace
	var last trace
next:
	for _, t := range s.traces {
		if t.family == "ext" {
			for _, back := range []int64{1024, 2048, 3072, 4096, 8192} {
				if len(s.claims(window(s.r, s.buf, t.at-back), t.at-back)) > 0 {
					continue next
				}
			}
		}
		for i := range all {
			k, ok := kindOf(s.kinds, all[i].Filesystem)
			if ok && t.alike(k.Name) && all[i].covers(t.at, t.at+1) {
				if own[i]++; own[i] <= ownTraces && k.Name != "ext" {
					continue next
				}
			}
		}
		if t.family == last.family && t.from == last.from && t.at < last.at+t.near() {
			continue // another sector of the same
		}
		last = t
		out = append(out, t)
	}
	return out
}

// shadow puts the tenants in doubt in whose place a volume may stand of which only
// a trace was found, outside all of their files and structures.
func (s *settler) shadow(all []tenant, traces []inner) {
	told := 0
	for _, q := range traces {
		if q.content {
			continue
		}
		if told++; told <= maxDoubts {
			begins := ""
			if q.start >= 0 {
				begins = fmt.Sprintf(" that begins at offset %d", s.r.Origin(q.start))
			}
			s.l.missing("a volume (%s)%s was not found, whose %s was found at offset %d: its boot sector, superblock or header was not read or does not stand", q.family, begins, q.what, s.r.Origin(q.at))
		}
		covered := false
		for i := range all {
			if t := &all[i]; t.covers(q.at, q.at+1) {
				covered = true
				if t.named && t.Pieces == nil { // it begins in that partition
					q.back = min(q.back, q.at-t.Start)
				}
			}
		}
		for i := range all {
			t := &all[i]
			in := ranges.Touches(t.spans(), q.at-q.back, q.at+1)
			if t.listed() && len(t.Doubt) < maxDoubts && (in || !covered && t.Start > q.at) {
				t.Doubt = append(t.Doubt, fmt.Sprintf("another volume (%s) may stand in the same place: its %s, found at offset %d, is no part of a file or structure of this one", q.family, q.what, s.r.Origin(q.at)))
				t.Needs = append(t.Needs, ranges.Range{Start: 0, End: bootRecordSize})
			}
		}
	}
}

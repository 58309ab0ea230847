package ntfs

import (
	"context"
	"fmt"
	"slices"

	"fileassay/extract"
	"fileassay/extract/ranges"
)

// Records with a fixed meaning [docs: files/index.html].
const (
	recMFT        = 0
	recMFTMirror  = 1
	recLogFile    = 2
	recVolume     = 3
	recRoot       = 5
	recBitmap     = 6
	recBoot       = 7
	recBadClus    = 8
	recExtend     = 11
	firstFile     = 16 // the records before it are the system's own or reserved
	mirrorRecords = 4  // that the mirror holds at the least
)

// table is the file table, $MFT.
type table struct {
	*stream
	recordSize int64
	count      uint64 // records, those with no known place included
	sized      bool   // count is stated by the table, not only what was found
	rebuilt    bool   // found by its records, since what says where it lies is unread
	doubted    bool   // found records may be stale
	// found are the records whose place is known only by themselves, sorted
	found  []ranges.Range
	mirror int64 // where the mirror lies in the image
	// mirrored are the records read from the mirror in place of the table;
	// settled before several goroutines read records
	mirrored [mirrorRecords]bool
	bitmap   *stream // which records are in use; nil where not known
	notes    []string
}

// openTable finds the file table through record 0, else its mirror.
func (v *Volume) openTable(ctx context.Context) error {
	if err := v.findTable(ctx); err != nil {
		return err
	}
	for n := range uint64(mirrorRecords) {
		v.preferMirror(n)
	}
	return nil
}

func (v *Volume) findTable(ctx context.Context) error {
	t := &table{recordSize: v.boot.RecordSize}
	v.table = t
	// until more is known: what the boot sector tells
	first := v.start + v.boot.MFT*v.cluster
	t.mirror = v.start + v.boot.MFTMirror*v.cluster
	t.stream = &stream{r: v.r, extents: []extract.Extent{{Offset: 0, Image: first, Length: mirrorRecords * t.recordSize}}}

	v.preferMirror(recMFT)
	rec := v.readRecord(recMFT)
	var m mapping
	if rec.state == recordUsed {
		for i := range rec.attrs {
			if a := &rec.attrs[i]; a.typ == attrData && a.nameLen == 0 && !a.resident {
				m.add(rec, a, v.clusters)
			}
		}
	}
	if !m.headed {
		t.rebuilt = true
		t.notes = append(t.notes, "record 0 of the file table and its copy are unread or damaged: the table was put together from records found on the volume")
		return v.rebuildTable(ctx, nil)
	}
	if len(m.runs) > 0 && m.runs[0].vcn == 0 && v.boot.MFT != m.runs[0].lcn {
		t.notes = append(t.notes, fmt.Sprintf("the boot sector puts the file table at cluster %d, its own record at %d", v.boot.MFT, m.runs[0].lcn))
	}
	m.settle()
	t.use(v, &m)
	// the table's further extents stand in records of the table itself
	list, _ := v.attributeList(rec)
	seen := map[uint64]bool{recMFT: true}
	for progress := true; progress; {
		progress = false
		for _, e := range list {
			n := e.ref.number()
			if e.typ != attrData || e.nameLen != 0 || seen[n] {
				continue
			}
			ext := v.readRecord(n)
			if ext.state != recordExtends || ext.base.number() != recMFT || ext.seq != e.ref.seq() {
				continue
			}
			seen[n], progress = true, true
			for i := range ext.attrs {
				if a := &ext.attrs[i]; a.typ == attrData && a.nameLen == 0 && !a.resident {
					m.add(ext, a, v.clusters)
				}
			}
			m.settle()
			t.use(v, &m)
		}
	}
	if bm := v.gather(rec, attrBitmap, nil); bm != nil && bm.headed {
		t.bitmap = v.stream(bm)
		v.claimRuns(&v.claims.Structures, bm.runs)
	} else if a := rec.attr(attrBitmap); a != nil && a.resident {
		t.bitmap = v.residentStream(rec, a)
	}
	if gap := t.missing(); gap != nil {
		t.notes = append(t.notes, "a part of the file table's own extents is unread: records of it were looked for on the volume")
		return v.rebuildTable(ctx, gap)
	}
	return nil
}

// recordLimit is how many records the drive has room for in the volume,
// whatever that claims of itself: a hostile size or number must not make work.
func (v *Volume) recordLimit() uint64 {
	return uint64(max(0, min(v.length, v.r.DriveSize()-v.start)) / v.table.recordSize)
}

// use takes the mapping as the table's place.
func (t *table) use(v *Volume, m *mapping) {
	t.stream = v.stream(m)
	t.stream.size = min(m.initialized, m.size)
	t.count = uint64(t.stream.size / t.recordSize)
	if limit := v.recordLimit(); t.count > limit {
		t.notes = append(t.notes, fmt.Sprintf("the file table states %d records, more than there is room for: %d looked at", t.count, limit))
		t.count = limit
		t.stream.size = int64(limit) * t.recordSize
	}
	t.sized = true
}

// missing are the ranges of record numbers without a known place; nil for
// none.
func (t *table) missing() []ranges.Range {
	var out []ranges.Range
	t.located(0, int64(t.count)*t.recordSize, func(off, _, n int64, located bool) {
		if !located {
			out = append(out, ranges.Range{Start: off / t.recordSize, End: (off + n + t.recordSize - 1) / t.recordSize})
		}
	})
	return out
}

// recordAt is where a record begins in the image; -1 where not known.
func (t *table) recordAt(n uint64) int64 {
	at := int64(-1)
	t.located(int64(n)*t.recordSize, 1, func(_, image, _ int64, located bool) {
		if located {
			at = image
		}
	})
	return at
}

// readRecord reads one record by its number.
func (v *Volume) readRecord(n uint64) *record {
	if v.table.isMirrored(n) {
		return v.readMirror(n)
	}
	rec := v.readPrimary(n)
	if v.census.trust[n] == trustRefuted {
		rec.disowned()
	}
	return rec
}

// readPrimary reads one record from the table itself.
func (v *Volume) readPrimary(n uint64) *record {
	t := v.table
	b := make([]byte, t.recordSize)
	rec := &record{}
	if n < t.count || !t.sized {
		off := int64(n) * t.recordSize
		bad, _ := badStrides(t.read(b, off), off, t.recordSize)
		rec.parse(b, n, bad)
	}
	return rec
}

// isMirrored reports whether a record is read from the mirror.
func (t *table) isMirrored(n uint64) bool { return n < mirrorRecords && t.mirrored[n] }

// preferMirror decides whether a record is read from the mirror, which is so
// where that serves better.
func (v *Volume) preferMirror(n uint64) {
	rec := v.readPrimary(n)
	v.table.mirrored[n] = (rec.state == recordUnread || rec.state == recordDamaged || rec.bad != 0) && better(v.readMirror(n), rec)
}

func better(a, b *record) bool {
	usable := func(r *record) bool { return r.state != recordUnread && r.state != recordDamaged }
	if usable(a) != usable(b) {
		return usable(a)
	}
	return usable(a) && a.bad == 0 && b.bad != 0
}

// readMirror reads one of the first records from the mirror.
func (v *Volume) readMirror(n uint64) *record {
	b := make([]byte, v.table.recordSize)
	at := v.table.mirror + int64(n)*v.table.recordSize
	var gaps []ranges.Range
	for _, u := range v.r.ReadReadable(b, at) {
		gaps = append(gaps, ranges.Range{Start: u.Start, End: u.End()})
	}
	bad, _ := badStrides(gaps, at, v.table.recordSize)
	rec := &record{}
	rec.parse(b, n, bad)
	return rec
}

// chunkRecords is how many records are read at once.
const chunkRecords = 1024

// chunks is the number of pieces the table is read in.
func (t *table) chunks() int { return int((t.count + chunkRecords - 1) / chunkRecords) }

// eachRecord parses the records of a chunk in order. The record that visit
// gets, its bytes included, is used again for the next.
func (v *Volume) eachRecord(chunk int, visit func(*record) error) error {
	t := v.table
	from := uint64(chunk) * chunkRecords
	to := min(from+chunkRecords, t.count)
	kept, _ := v.buffers.Get().(*[]byte)
	if kept == nil {
		b := make([]byte, chunkRecords*t.recordSize)
		kept = &b
	}
	defer v.buffers.Put(kept)
	b := (*kept)[:int64(to-from)*t.recordSize]
	gaps := t.read(b, int64(from)*t.recordSize)
	rec := record{attrs: make([]attribute, 0, 16)}
	for n := from; n < to; n++ {
		i := int64(n-from) * t.recordSize
		var bad strides
		if len(gaps) > 0 {
			bad, gaps = badStrides(gaps, int64(n)*t.recordSize, t.recordSize)
		}
		r := &rec
		rec.parse(b[i:i+t.recordSize:i+t.recordSize], n, bad)
		if t.isMirrored(n) {
			r = v.readMirror(n)
		}
		if v.census.trust[n] == trustRefuted {
			r.disowned()
		}
		if err := visit(r); err != nil {
			return err
		}
	}
	return nil
}

// inUse asks the table's own bitmap about records [from, from+n); known is
// false for a record whose bit was not read.
func (t *table) inUse(from, n uint64) (used, known []bool) {
	used, known = make([]bool, n), make([]bool, n)
	if t.bitmap == nil {
		return used, known
	}
	first, last := int64(from/8), int64((from+n+7)/8)
	b := make([]byte, last-first)
	gaps := t.bitmap.read(b, first)
	for i := range n {
		at := int64((from + i) / 8)
		if at >= t.bitmap.size {
			break
		}
		known[i] = !slices.ContainsFunc(gaps, func(g ranges.Range) bool { return g.Start <= at && at < g.End })
		used[i] = known[i] && b[at-first]>>((from+i)%8)&1 != 0
	}
	return used, known
}

package ntfs

import (
	"context"
	"iter"
	"sync"

	"fileassay/extract"
	"fileassay/extract/bitmap"
	"fileassay/extract/needs"
	"fileassay/extract/partial"
	"fileassay/extract/ranges"
)

// Records with a fixed meaning [docs: files/index.html].
const (
	recMFT        = 0
	recLogFile    = 2
	recVolume     = 3
	recRoot       = 5
	recBitmap     = 6
	recExtend     = 11
	firstFile     = 16 // the records before it are the system's own or reserved
	reserved      = 24 // the records before it may be called used and be free (common practice, no source)
	mirrorRecords = 4  // that the mirror holds at the least
)

// table is the file table, $MFT: it reads the records.
type table struct {
	*area
	stream     *stream
	recordSize int64
	count      uint64 // records, those with no known place included
	sized      bool   // count is stated by the table, not only what was found
	rebuilt    bool   // found by its records, since what says where it lies is unread
	doubted    bool   // found records may be stale
	displaced  bool   // the boot sector puts it elsewhere
	// found are the records whose place is known only by themselves, sorted
	found  []ranges.Range
	mirror *stream
	// mirrored are the records read from the mirror in place of the table;
	// settled before several goroutines read records
	mirrored  [mirrorRecords]bool
	bitmap    *stream // which records are in use; nil where not known
	allocated *stream // which clusters of the volume are; nil where not known
	journal   *journal
	notes     []string
	buffers   sync.Pool // of *[]byte, a chunk of the table each

	// what the first pass over the records tells
	extends   []extension     // the extension records of records, sorted; nil before
	refuted   map[uint64]bool // found records that are not the table's
	strangers map[uint64]bool // what stands in place of them is none of the table's
	shared    ranges.Set      // clusters that two attributes claim
}

// isFound reports whether a record's place is known only by the record itself.
func (t *table) isFound(n uint64) bool { return ranges.Touches(t.found, int64(n), int64(n)+1) }

// missing are the ranges of record numbers without a known place; nil for
// none.
func (t *table) missing() []ranges.Range {
	var out []ranges.Range
	for e := range t.stream.parts(0, int64(t.count)*t.recordSize) {
		if e.Image == unlocated {
			out = append(out, ranges.Range{Start: e.Offset / t.recordSize, End: (e.Offset + e.Length + t.recordSize - 1) / t.recordSize})
		}
	}
	return out
}

// holder is the stream that a record is read from: the table, or its mirror.
func (t *table) holder(n uint64) *stream {
	if n < mirrorRecords && t.mirrored[n] {
		return t.mirror
	}
	return t.stream
}

// readRecord reads one record by its number.
func (t *table) readRecord(n uint64) *record {
	s := t.holder(n)
	rec := t.recordFrom(s, n)
	if s == t.stream && t.refuted[n] {
		rec.disown()
	}
	t.oppose(rec, func() bitmap.State { return t.inUse(n&^7, 8).Get(int64(n & 7)) })
	return rec
}

// oppose holds a record against what else is known of it: the table's own bitmap,
// which use asks, and the record that it says it belongs to. Zeros are a record
// that was never used only where the bitmap says so too.
func (t *table) oppose(rec *record, use func() bitmap.State) {
	switch rec.state {
	case recordBlank:
		if use() != bitmap.Clear {
			rec.damage("it holds zeros")
		}
	case recordFree:
		if rec.number >= reserved && use() == bitmap.Set {
			rec.damage("it says that it is free, and the table's bitmap that it is in use")
		}
	case recordExtends:
		if t.strangers[rec.number] {
			rec.damage("it says that it belongs to record %d, which does not name it", rec.base.number())
		}
	case recordUsed:
		if t.strangers[rec.number] {
			rec.damage("by its name it is another one")
			return
		}
		rec.freed = rec.number >= reserved && use() == bitmap.Clear
	}
}

// stranger notes that what stands in place of a record is none of the table's.
func (c *names) stranger(n uint64) {
	if c.strangers == nil {
		c.strangers = map[uint64]bool{}
	}
	c.strangers[n] = true
	c.marks[n] = recordMark(recordDamaged) | markNeedy
}

// recordFrom reads one record from the table itself, or from the mirror.
func (t *table) recordFrom(s *stream, n uint64) *record {
	rec := &record{number: n}
	if s == t.mirror || n < t.count || !t.sized {
		rec.parse(s.read(make([]byte, t.recordSize), int64(n)*t.recordSize), n)
	}
	return rec
}

// chunkRecords is how many records are read at once.
const chunkRecords = 1024

// records yields the records of a chunk in order. Each, its bytes included, is
// used again for the next.
func (t *table) records(chunk int) iter.Seq[*record] {
	return func(yield func(*record) bool) {
		from := uint64(chunk) * chunkRecords
		to := min(from+chunkRecords, t.count)
		kept, _ := t.buffers.Get().(*[]byte)
		if kept == nil {
			b := make([]byte, chunkRecords*t.recordSize)
			kept = &b
		}
		defer t.buffers.Put(kept)
		b := t.stream.read((*kept)[:int64(to-from)*t.recordSize], int64(from)*t.recordSize)
		rec := record{attrs: make([]attribute, 0, 16)}
		used := t.inUse(from, chunkRecords)
		for n := from; n < to; n++ {
			r := &rec
			if t.holder(n) == t.mirror {
				r = t.readRecord(n)
			} else {
				rec.parse(b.Slice(int(n-from)*int(t.recordSize), int(t.recordSize)), n)
			}
			if t.refuted[n] {
				r.disown()
			}
			t.oppose(r, func() bitmap.State { return used.Get(int64(n - from)) })
			if !yield(r) {
				return
			}
		}
	}
}

// chunks is the number of chunks of records.
func (t *table) chunks() int { return int((t.count + chunkRecords - 1) / chunkRecords) }

// overTable passes over the records: work gets the records of one chunk, in
// several goroutines, and take its outcome, in order. step names the pass for
// people; "" where it is short.
func overTable[T any](ctx context.Context, t *table, step string, work func(iter.Seq[*record]) T, take func(T) error) error {
	done := int64(0)
	return extract.InOrder(ctx, t.opt.Workers(), t.chunks(), func(_ context.Context, i int) (T, error) { return work(t.records(i)), nil }, func(out T) error {
		if err := take(out); err != nil || step == "" {
			return err
		}
		done += chunkRecords * t.recordSize
		t.opt.Report(step, min(done, t.stream.size), t.stream.size)
		return nil
	})
}

// claimed yields the clusters that the non-resident attributes of a record
// claim, with the attribute.
func (t *table) claimed(rec *record) iter.Seq2[*attribute, extract.Extent] {
	return func(yield func(*attribute, extract.Extent) bool) {
		for i := range rec.attrs {
			a := &rec.attrs[i]
			if a.resident {
				continue
			}
			var m mapping
			m.add(t.area, rec, a)
			for _, e := range m.runs {
				if e.Image >= 0 && !yield(a, e) {
					return
				}
			}
		}
	}
}

// claimedByRecords passes over the table for the clusters that the records
// known so far claim, and the table.
func (t *table) claimedByRecords(ctx context.Context) (*ranges.Set, error) {
	all := &ranges.Set{}
	t.claimTable(all)
	return all, overTable(ctx, t, "", func(records iter.Seq[*record]) (claimed ranges.Set) {
		for rec := range records {
			if rec.number == recMFT || rec.state == recordExtends && rec.base.number() == recMFT {
				continue // the table's own: what is known of it is claimed above, the rest is looked for
			}
			for _, e := range t.claimed(rec) {
				claimed.Add(e.Image, e.Length)
			}
		}
		return claimed
	}, func(claimed ranges.Set) error {
		all.AddAll(&claimed)
		return nil
	})
}

// claimTable adds where the table lies.
func (t *table) claimTable(to *ranges.Set) {
	for _, e := range t.stream.extents {
		to.Add(e.Image, e.Length)
	}
}

// inUse is the table's own bitmap of n records from one, a multiple of 8, which
// its first bit stands for.
func (t *table) inUse(from, n uint64) *bitmap.Map {
	if t.bitmap == nil {
		return bitmap.Of(partial.Bytes{}, 0, bitmap.LowFirst)
	}
	b := t.bitmap.read(make([]byte, (n+7)/8), int64(from/8))
	bits := 8 * min(t.bitmap.size, int64(from+n+7)/8) // that the bitmap has, up to there
	return bitmap.Of(b, min(int64(n), bits-int64(from)), bitmap.LowFirst)
}

// need asks for a record of the table.
func (t *table) need(list *needs.List, n uint64) {
	if !t.sized || n < t.count {
		t.stream.need(list, int64(n)*t.recordSize, t.recordSize)
	}
}

// needsOf is what an entry whose record is unread needs.
func (t *table) needsOf(n uint64) []ranges.Range {
	list := needs.New(t.r, needs.Most)
	t.need(list, n)
	return list.Ranges()
}

package ntfs

import (
	"cmp"
	"context"
	"slices"
	"sort"

	"fileassay/extract"
	"fileassay/extract/imap"
	"fileassay/extract/partial"
	"fileassay/extract/ranges"
)

// rebuild looks for the wanted record numbers on the volume, where what says
// where they lie is unread; nil is all. Records name their own number, so a
// stretch of them proves its place in the table; where two stretches claim the
// same records, neither is believed. Space that files found so far claim is left
// out, since a file may hold the image of another volume.
//
// A fragment is an extent of the table that holds records one behind the other.
// Unread records may stand within.
func (t locator) rebuild(ctx context.Context, wanted []ranges.Range) error {
	if wanted == nil {
		if err := t.beginAtBoot(ctx); err != nil {
			return err
		}
	}
	claimed, err := t.claimedByRecords(ctx)
	if err != nil {
		return err
	}
	claimed.Add(t.mirror.place(0), t.mirror.size)
	t.locateAllocation()
	found, err := t.scan(ctx, claimed)
	if err != nil {
		return err
	}
	if wanted == nil { // but for the first fragment
		wanted = []ranges.Range{{Start: int64(t.count), End: maxFound}}
	}
	for _, f := range t.allocatedOnly(ctx, alone(found)) {
		t.adopt(f, wanted)
	}
	slices.SortFunc(t.stream.extents, func(a, b extract.Extent) int { return cmp.Compare(a.Offset, b.Offset) })
	slices.SortFunc(t.found, func(a, b ranges.Range) int { return cmp.Compare(a.Start, b.Start) })
	if !t.sized {
		for _, e := range t.stream.extents {
			t.setCount(max(t.count, uint64((e.Offset+e.Length)/t.recordSize)))
		}
	}
	if t.count == 0 {
		return &extract.NotVolumeError{Filesystem: "ntfs", Start: t.start, Why: "boot sector found, but no record of the file table was read", Needs: t.firstNeeds()}
	}
	return nil
}

func (t locator) setCount(n uint64) {
	t.count, t.stream.size = n, int64(n)*t.recordSize
}

// beginAtBoot takes what stands where the boot sector says that the table
// begins.
func (t locator) beginAtBoot(ctx context.Context) error {
	t.stream = &stream{r: t.r}
	f := t.fragmentAt(t.at(t.boot.MFT))
	mirror := t.mirror.place(0)
	if f.Length == 0 && t.r.IsRead(f.Image, firstFile*t.recordSize) && t.fragmentAt(mirror).Length == 0 && t.r.IsRead(mirror, mirrorRecords*t.recordSize) {
		// a boot sector that belongs elsewhere must not cost a search
		return &extract.NotVolumeError{Filesystem: "ntfs", Start: t.start, Why: "a boot sector was read, but what stands where it puts the file table and its mirror is neither"}
	}
	if f.Length == 0 {
		return nil
	}
	begin := func(n int64) {
		t.stream.extents = []extract.Extent{cut(f, 0, n)}
		t.setCount(uint64(n / t.recordSize))
	}
	// the first records are always the table's; that others follow them proves
	// nothing, since what an earlier table of the volume left may stand behind them
	first := min(f.Length, firstFile*t.recordSize)
	begin(first)
	t.locateAllocation()
	if kept := t.allocatedOnly(ctx, []extract.Extent{f}); len(kept) > 0 && kept[0].Offset == 0 && kept[0].Length > t.stream.size {
		begin(kept[0].Length)
		t.found = append(t.found, ranges.Range{Start: firstFile, End: kept[0].Length / t.recordSize})
	}
	return nil
}

// adopt makes a fragment part of the table, as far as its records are wanted, which
// stand in order.
func (t locator) adopt(f extract.Extent, wanted []ranges.Range) {
	i := sort.Search(len(wanted), func(i int) bool { return wanted[i].End*t.recordSize > f.Offset })
	for _, w := range wanted[i:] {
		if w.Start*t.recordSize >= f.Offset+f.Length {
			return
		}
		from, to := max(f.Offset, w.Start*t.recordSize), min(f.Offset+f.Length, w.End*t.recordSize)
		if from < to {
			t.stream.extents = append(t.stream.extents, cut(f, from, to))
			t.found = append(t.found, ranges.Range{Start: from / t.recordSize, End: to / t.recordSize})
		}
	}
}

// allocatedOnly are the parts of fragments whose place the volume's bitmap
// calls allocated; without the bitmap all of them, with a note that what they
// hold may be stale.
func (t locator) allocatedOnly(ctx context.Context, list []extract.Extent) []extract.Extent {
	if t.allocated == nil || t.allocated.unread() > 0 {
		if !t.doubted && len(list) > 0 {
			t.doubted = true
			t.notes = append(t.notes, "the volume's bitmap is unread: records found by themselves may be left from an earlier table, so no file of them is called intact")
		}
		return list
	}
	var used ranges.Set
	_ = t.allocation(t.allocated)(ctx, func(start, length int64, use extract.Use) error {
		if use == extract.UseUnclaimed {
			used.Add(start, length)
		}
		return nil
	})
	size := t.recordSize
	var out []extract.Extent
	for _, f := range list {
		for s := range used.Within(f.Image, f.Length) {
			from, to := (s.Start-f.Image+size-1)/size*size, (s.End-f.Image)/size*size
			if from < to {
				out = append(out, cut(f, f.Offset+from, f.Offset+to))
			}
		}
	}
	return out
}

// isRecord reports whether the bytes hold a whole record, and the number that it
// names itself; 0 for none, as in the format before 3.1, which some writers still
// use.
func isRecord(b partial.Bytes) (number uint64, ok bool) {
	if string(b.Data[:4]) != "FILE" {
		return 0, false
	}
	array, _, err := applyFixups(&b)
	if err != nil || !b.Whole() {
		return 0, false
	}
	if array >= recordHeaderSize {
		number = uint64(le.Uint32(b.Data[recordNumber:]))
	}
	used := int64(le.Uint32(b.Data[recordUsedBytes:]))
	if used < recordFirstAttr+2 || used > int64(b.Len()) {
		return 0, false
	}
	c, err := parseAttributes(nil, b.Slice(0, int(used)), int(le.Uint16(b.Data[recordFirstAttr:])))
	return number, c.ended && err == nil
}

// fragmentAt follows the table from where the boot sector puts it, as far as
// records stand in their order. Unread records in between are part of it, and a few
// that are none.
func (t locator) fragmentAt(at int64) extract.Extent {
	size := t.recordSize
	b := make([]byte, size)
	f := extract.Extent{Image: at}
	limit := t.recordLimit()
	none := 0 // in a row
	for n := uint64(0); n < limit; n++ {
		p := at + int64(n)*size
		if !t.r.IsRead(p, size) {
			n += t.unreadRecords(p, int64(limit-n)*size)
			continue
		}
		if _, err := t.r.ReadAt(b, p); err != nil {
			continue
		}
		if got, ok := isRecord(partial.Bytes{Data: b}); ok {
			if got != 0 && got != n {
				break
			}
			f.Length, none = int64(n+1)*size, 0
			continue
		}
		if string(b[:4]) != "FILE" && string(b[:4]) != "BAAD" && n >= firstFile+8 {
			if none++; none > mostNone {
				break
			}
		}
	}
	return f
}

// mostNone is how many records in a row may be none before a table ends: those of
// one block that was read as garbage.
const mostNone = 8

// unreadRecords is how many whole records behind the one at p are unread
// from there on, of n bytes: a table that was hardly read must not be asked
// record by record.
func (t locator) unreadRecords(p, n int64) uint64 {
	size := t.recordSize
	for rg := range t.r.Over(p, n) {
		if rg.State == imap.Read && rg.Length >= size {
			return uint64(max((rg.Start-p)/size-1, 0))
		}
	}
	return uint64(max(n/size-1, 0))
}

// maxFound bounds the numbers of records found by themselves: each number up
// to the highest costs three bytes of memory.
const maxFound = 1 << 28

// scan looks for records in all of the volume that is not claimed.
func (t locator) scan(ctx context.Context, claimed *ranges.Set) (found []extract.Extent, err error) {
	size := t.recordSize
	grid := min(size, t.cluster)            // a record begins at a multiple of this
	limit := min(t.recordLimit(), maxFound) // a record past it bears no number that can be right
	var nameless int64
	type part struct {
		list     []extract.Extent
		nameless int64
	}
	claimed.Len() // settled here, since several goroutines ask it
	whole := []ranges.Range{{Start: t.start, End: min(t.at(t.area.clusters), t.r.Size())}}
	err = scan(ctx, t.area, "looking for file records", whole, size, func(b partial.Bytes, from, to int64) (p part) {
		if claimed.Covered(from, to-from) == to-from {
			return p
		}
		rec := make([]byte, size)
		for at := from; at < to; {
			o := int(at - from)
			if string(b.Data[o:o+4]) != "FILE" || claimed.Touches(at, size) || !b.Has(o, int(size)) {
				at += grid
				continue
			}
			copy(rec, b.Data[o:])
			number, ok := isRecord(partial.Bytes{Data: rec})
			if !ok || number == 0 || number >= limit {
				if ok {
					p.nameless++
				}
				at += grid
				continue
			}
			p.list = t.join(p.list, extract.Extent{Offset: int64(number) * size, Image: at, Length: size})
			at += size
		}
		return p
	}, func(p part) {
		for _, f := range p.list {
			found = t.join(found, f)
		}
		nameless += p.nameless
	})
	if nameless > 0 {
		t.notes = append(t.notes, plural(nameless, "further file record was", "further file records were")+" found whose number in the table is not known: their files are not listed")
	}
	return found, err
}

// join appends a fragment, as part of the one before it where it goes on the
// same count of records, with nothing but unread sectors in between.
func (t locator) join(list []extract.Extent, f extract.Extent) []extract.Extent {
	if n := len(list); n > 0 {
		last := &list[n-1]
		gap := f.Image - (last.Image + last.Length)
		if gap >= 0 && gap%t.recordSize == 0 && f.Offset == last.Offset+last.Length+gap && t.allUnread(f.Image-gap, gap) {
			last.Length += gap + f.Length
			return list
		}
	}
	return append(list, f)
}

// allUnread reports whether a part of every record in [at, at+n) was not
// read.
func (t locator) allUnread(at, n int64) bool {
	for p := at; p < at+n; p += t.recordSize {
		if t.r.IsRead(p, t.recordSize) {
			return false
		}
	}
	return true
}

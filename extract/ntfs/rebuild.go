package ntfs

import (
	"cmp"
	"context"
	"slices"

	"fileassay/extract"
	"fileassay/extract/imap"
	"fileassay/extract/ranges"
)

// fragment is a stretch of the image that holds records first to first+count
// of the file table, one behind the other. Unread records may stand within.
type fragment struct {
	image int64
	first uint64
	count uint64
}

func (f fragment) end() uint64 { return f.first + f.count }

// rebuildTable looks for records of the file table on the volume, where what
// says where they lie is unread. wanted are the record numbers without a known
// place; nil is all. Records name their own number, so a stretch of them
// proves its place in the table; where two stretches claim the same records,
// neither is believed. Space that files found so far claim is left out, since
// a file may hold the image of another volume.
func (v *Volume) rebuildTable(ctx context.Context, wanted []ranges.Range) error {
	t := v.table
	var claimed ranges.Set
	if wanted == nil {
		// the boot sector says where the table begins
		t.stream = &stream{r: v.r}
		f := v.fragmentAt(v.start + v.boot.MFT*v.cluster)
		if f.count == 0 && v.r.IsRead(f.image, firstFile*t.recordSize) && v.fragmentAt(t.mirror).count == 0 && v.r.IsRead(t.mirror, mirrorRecords*t.recordSize) {
			// a boot sector that belongs elsewhere must not cost a search
			return &extract.NotVolumeError{Filesystem: "ntfs", Start: v.start, Why: "a boot sector was read, but what stands where it puts the file table and its mirror is neither"}
		}
		if f.count > 0 && f.first == 0 {
			// the first records are always the table's; behind them may stand
			// what an earlier, larger table of the volume left
			t.extents = []extract.Extent{{Offset: 0, Image: f.image, Length: int64(min(f.count, firstFile)) * t.recordSize}}
			t.count = min(f.count, firstFile)
			t.stream.size = int64(t.count) * t.recordSize
			v.openBitmap()
			if kept := v.allocatedOnly(ctx, []fragment{f}); len(kept) > 0 && kept[0].first == 0 {
				f.count = max(kept[0].count, t.count)
			} else {
				f.count = t.count
			}
			t.extents = []extract.Extent{{Offset: 0, Image: f.image, Length: int64(f.count) * t.recordSize}}
			t.count = f.count
			t.stream.size = int64(t.count) * t.recordSize
		}
	}
	if err := v.claimKnown(ctx, &claimed); err != nil {
		return err
	}
	for _, e := range t.extents {
		claimed.Add(e.Image, e.Length)
	}
	claimed.Add(t.mirror, mirrorRecords*t.recordSize)
	v.openBitmap()
	found, err := v.scanFragments(ctx, &claimed)
	if err != nil {
		return err
	}
	for _, f := range v.allocatedOnly(ctx, unambiguous(found, t.recordSize)) {
		t.adopt(f, wanted)
	}
	slices.SortFunc(t.extents, func(a, b extract.Extent) int { return cmp.Compare(a.Offset, b.Offset) })
	slices.SortFunc(t.found, func(a, b ranges.Range) int { return cmp.Compare(a.Start, b.Start) })
	if wanted == nil {
		for _, e := range t.extents {
			t.count = max(t.count, uint64(e.Offset+e.Length)/uint64(t.recordSize))
		}
		t.stream.size = int64(t.count) * t.recordSize
	}
	if t.count == 0 {
		return &extract.NotVolumeError{Filesystem: "ntfs", Start: v.start, Why: "boot sector found, but no record of the file table was read", Needs: v.firstNeeds()}
	}
	return nil
}

// adopt makes a fragment part of the table, as far as its records have no
// known place.
func (t *table) adopt(f fragment, wanted []ranges.Range) {
	add := func(from, to uint64) {
		if from >= to {
			return
		}
		t.extents = append(t.extents, extract.Extent{Offset: int64(from) * t.recordSize,
			Image: f.image + int64(from-f.first)*t.recordSize, Length: int64(to-from) * t.recordSize})
		t.found = append(t.found, ranges.Range{Start: int64(from), End: int64(to)})
	}
	if wanted == nil {
		known := t.count // the first fragment
		add(max(f.first, known), f.end())
		return
	}
	for _, w := range wanted {
		add(max(f.first, uint64(w.Start)), min(f.end(), uint64(w.End)))
	}
}

// claimKnown collects the clusters that the records known so far claim.
func (v *Volume) claimKnown(ctx context.Context, claimed *ranges.Set) error {
	return extract.InOrder(ctx, v.opt.Workers(), v.table.chunks(),
		func(_ context.Context, i int) (*harvest, error) {
			h := &harvest{}
			err := v.eachRecord(i, func(rec *record) error {
				if rec.state == recordUsed || rec.state == recordExtends {
					v.claimAttributes(rec, h, rec.number < firstFile)
				}
				return nil
			})
			return h, err
		},
		func(h *harvest) error {
			for _, s := range append(h.structures, h.spans...) {
				claimed.Add(s.Start, s.End-s.Start)
			}
			return nil
		})
}

// allocatedOnly are the parts of fragments whose place the volume's bitmap
// calls allocated; without the bitmap all of them, with a note that what they
// hold may be stale.
func (v *Volume) allocatedOnly(ctx context.Context, list []fragment) []fragment {
	if v.bitmap == nil || v.bitmap.unread() > 0 {
		if !v.table.doubted && len(list) > 0 {
			v.table.doubted = true
			v.table.notes = append(v.table.notes, "the volume's bitmap is unread: records found by themselves may be left from an earlier table, so no file of them is called intact")
		}
		return list
	}
	var used ranges.Set
	_ = v.allocation()(ctx, func(start, length int64, use extract.Use) error {
		if use == extract.UseUnclaimed {
			used.Add(start, length)
		}
		return nil
	})
	size := v.table.recordSize
	var out []fragment
	for _, f := range list {
		for s := range used.Within(f.image, int64(f.count)*size) {
			from, to := (s.Start-f.image+size-1)/size, (s.End-f.image)/size
			if from < to {
				out = append(out, fragment{f.image + from*size, f.first + uint64(from), uint64(to - from)})
			}
		}
	}
	return out
}

// isRecord reports whether the bytes hold a whole record, and, where its
// format does, the number that it names itself. Records of the format before
// 3.1, which some writers still use, name none.
func isRecord(b []byte) (number uint64, numbered, ok bool) {
	if string(b[:4]) != "FILE" {
		return 0, false, false
	}
	us, torn, err := applyFixups(b, 0)
	if err != nil || torn != 0 {
		return 0, false, false
	}
	number = uint64(le.Uint32(b[recordNumber:]))
	numbered = us.offset >= recordHeaderSize && number != 0
	used := int64(le.Uint32(b[recordUsedBytes:]))
	if used < recordFirstAttr+2 || used > int64(len(b)) {
		return 0, false, false
	}
	_, whole, err := parseAttributes(nil, b[:used], int(le.Uint16(b[recordFirstAttr:])), 0)
	return number, numbered, whole && err == nil
}

// fragmentAt follows the table from where the boot sector puts it, as far as
// records stand in their order. Unread records in between are part of it.
func (v *Volume) fragmentAt(at int64) fragment {
	size := v.table.recordSize
	b := make([]byte, size)
	f := fragment{image: at}
	limit := v.recordLimit()
	for n := uint64(0); n < limit; n++ {
		p := at + int64(n)*size
		if !v.r.IsRead(p, size) {
			n += v.unreadRecords(p, int64(limit-n)*size)
			continue
		}
		if _, err := v.r.ReadAt(b, p); err != nil {
			continue
		}
		if got, numbered, ok := isRecord(b); ok {
			if numbered && got != n {
				break
			}
			f.count = n + 1
			continue
		}
		if string(b[:4]) != "FILE" && string(b[:4]) != "BAAD" && n >= firstFile+8 {
			break
		}
	}
	return f
}

// unreadRecords is how many whole records behind the one at p are unread
// from there on, of n bytes: a table that was hardly read must not be asked
// record by record.
func (v *Volume) unreadRecords(p, n int64) uint64 {
	size := v.table.recordSize
	for rg := range v.r.Over(p, n) {
		if rg.State == imap.Read && rg.Length >= size {
			return uint64(max((rg.Start-p)/size-1, 0))
		}
	}
	return uint64(max(n/size-1, 0))
}

// maxFound bounds the numbers of records found by themselves: each number up
// to the highest costs three bytes of memory.
const maxFound = 1 << 28

// scanFragments looks for records in all of the volume that is not claimed.
func (v *Volume) scanFragments(ctx context.Context, claimed *ranges.Set) ([]fragment, error) {
	const step = 4 << 20
	size := v.table.recordSize
	grid := min(size, v.cluster) // a record begins at a multiple of this
	end := min(v.start+v.clusters*v.cluster, v.r.Size())
	limit := min(v.recordLimit(), maxFound) // a record past it bears no number that can be right
	type part struct {
		list     []fragment
		nameless int64
		n        int64
	}
	var done, nameless int64
	var out []fragment
	n := int((end - v.start + step - 1) / step)
	claimed.Len() // settled here, since several goroutines ask it
	err := extract.InOrder(ctx, v.opt.Workers(), n, func(_ context.Context, i int) (part, error) {
		from := v.start + int64(i)*step
		to := min(from+step, end)
		p := part{n: to - from}
		if v.noneRead(from, to-from) || claimed.Covered(from, to-from) == to-from {
			return p, nil
		}
		b := make([]byte, to-from+size)
		unread := v.r.ReadReadable(b, from)
		rec := make([]byte, size)
		for at := from; at < to; {
			o := at - from
			if string(b[o:o+4]) != "FILE" || claimed.Covered(at, size) > 0 || touches(unread, at, size) {
				at += grid
				continue
			}
			copy(rec, b[o:o+size])
			number, numbered, ok := isRecord(rec)
			if !ok || !numbered || number >= limit {
				if ok {
					p.nameless++
				}
				at += grid
				continue
			}
			p.list = join(p.list, fragment{at, number, 1}, v)
			at += size
		}
		return p, nil
	}, func(p part) error {
		for _, f := range p.list {
			out = join(out, f, v)
		}
		done += p.n
		nameless += p.nameless
		v.opt.Report("looking for file records", done, end-v.start)
		return nil
	})
	if nameless > 0 {
		v.table.notes = append(v.table.notes, plural(nameless, "further file record was", "further file records were")+" found whose number in the table is not known: their files are not listed")
	}
	return out, err
}

func touches(unread []imap.Range, at, n int64) bool {
	for _, u := range unread {
		if u.Start < at+n && at < u.End() {
			return true
		}
	}
	return false
}

// join appends a fragment, as part of the one before it where it goes on the
// same count of records, with nothing but unread sectors in between.
func join(list []fragment, f fragment, v *Volume) []fragment {
	size := v.table.recordSize
	if n := len(list); n > 0 {
		last := &list[n-1]
		gap := f.image - (last.image + int64(last.count)*size)
		if gap >= 0 && gap%size == 0 && f.first == last.end()+uint64(gap/size) && v.allUnread(f.image-gap, gap, size) {
			last.count += uint64(gap/size) + f.count
			return list
		}
	}
	return append(list, f)
}

// allUnread reports whether a part of every record in [at, at+n) was not
// read.
func (v *Volume) allUnread(at, n, size int64) bool {
	for p := at; p < at+n; p += size {
		if v.r.IsRead(p, size) {
			return false
		}
	}
	return true
}

// unambiguous are the parts of fragments whose record numbers no other claims.
func unambiguous(list []fragment, size int64) []fragment {
	type edge struct {
		at    uint64
		delta int
	}
	var edges []edge
	for _, f := range list {
		edges = append(edges, edge{f.first, 1}, edge{f.end(), -1})
	}
	slices.SortFunc(edges, func(a, b edge) int { return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.delta, b.delta)) })
	type rng struct{ from, to uint64 }
	var single []rng
	depth := 0
	for i, e := range edges {
		depth += e.delta
		if depth == 1 && i+1 < len(edges) && edges[i+1].at > e.at {
			single = append(single, rng{e.at, edges[i+1].at})
		}
	}
	var out []fragment
	for _, f := range list {
		for _, s := range single {
			from, to := max(f.first, s.from), min(f.end(), s.to)
			if from < to {
				out = append(out, fragment{f.image + int64(from-f.first)*size, from, to - from})
			}
		}
	}
	return out
}

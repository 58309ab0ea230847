package ntfs

import (
	"context"
	"fmt"
	"iter"
	"slices"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/needs"
	"fileassay/extract/ranges"
)

// locateBoot finds the boot sector or its copy, and with it where the volume
// lies. It returns a note where it is the copy.
func locateBoot(r *image.Reader, start, length int64) (boot BootSector, note string, err error) {
	b := make([]byte, 512)
	var why string
	if _, err := r.ReadAt(b, start); err != nil {
		why = "boot sector: " + err.Error()
	} else if s, err := parseBootSector(b); err != nil {
		why = err.Error()
	} else if length > 0 && s.TotalSectors*s.SectorSize > length+maxSectorSize && start+s.length() > r.DriveSize() && length < r.DriveSize()-start {
		why = fmt.Sprintf("boot sector states a volume of %d bytes in %d", s.length(), length)
	} else {
		return s, "", nil
	}
	for at := range Copies(start, length) {
		if _, err := r.ReadAt(b, at); err != nil {
			continue
		}
		// the copy says how far from the volume's start it stands
		if s, err := parseBootSector(b); err == nil && s.TotalSectors*s.SectorSize == at-start {
			return s, fmt.Sprintf("boot sector unread or damaged (%s); its copy at offset %d is used", why, r.Origin(at)), nil
		}
	}
	return BootSector{}, "", &extract.NotVolumeError{Filesystem: "ntfs", Start: start, Why: why}
}

// otherBoot is the copy of a volume's boot sector, where it was read and tells of
// another shape than the boot sector that was read. Of the two only one can be right.
func otherBoot(r *image.Reader, start, length int64, boot BootSector) (other BootSector, at int64, ok bool) {
	b := make([]byte, 512)
	sound := func(at int64) (s BootSector, ok bool) {
		if _, err := r.ReadAt(b, at); err != nil {
			return s, false
		}
		s, err := parseBootSector(b)
		return s, err == nil && s.Serial == boot.Serial && s.TotalSectors*s.SectorSize == at-start
	}
	at = start + boot.TotalSectors*boot.SectorSize
	if other, ok = sound(at); ok {
		return other, at, other != boot
	}
	if _, err := r.ReadAt(b, at); err != nil && at < r.DriveSize() {
		return other, at, false // it may stand there
	}
	for _, n := range []int64{boot.length(), length} {
		for at = range Copies(start, n) {
			if other, ok = sound(at); ok {
				return other, at, true
			}
		}
	}
	return other, at, false
}

// endReach is how far from the end of a partition a volume in it may end, bytes:
// what tools leave to begin and end partitions at whole MiB. It is not farther than
// the partition is long.
const endReach = 1 << 20

// Copies are the places in the image where the copy of the boot sector may stand
// of a volume that begins at start, in a partition of length bytes: the
// sector behind the last one that the boot sector counts [docs: files/boot.html].
// That is the last sector of the partition, or one near its end where the
// partition is a little larger or smaller than its volume.
func Copies(start, length int64) iter.Seq[int64] {
	return func(yield func(int64) bool) {
		if length <= 0 {
			return
		}
		end := start + length
		for _, size := range []int64{512, 1024, 2048, 4096, 256} {
			if at := end - size; at > start && !yield(at) {
				return
			}
		}
		const unit = 512 // smaller sectors are not met with
		reach := min(endReach, length)
		for off := int64(3 * unit); off <= reach; off += unit {
			if at := end - off; at > start && off != 2048 && off != 4096 && !yield(at) {
				return
			}
		}
		for at := end; at < end+reach; at += unit {
			if !yield(at) {
				return
			}
		}
	}
}

// locator finds the file table through record 0, else its mirror, and what
// of its place these do not tell by the records themselves.
type locator struct{ *table }

// locateTable finds the file table of a volume.
func locateTable(ctx context.Context, v *area) (*table, error) {
	t := locator{&table{area: v, recordSize: v.boot.RecordSize}}
	// until more is known: what the boot sector tells
	t.stream = v.plain(v.at(v.boot.MFT), mirrorRecords*t.recordSize)
	t.mirror = v.plain(v.at(v.boot.MFTMirror), mirrorRecords*t.recordSize)
	t.preferMirror(recMFT)
	missing, ok := t.followRecord()
	switch {
	case !ok:
		t.rebuilt = true
		t.notes = append(t.notes, "record 0 of the file table and its copy are unread or damaged: the table was put together from records found on the volume")
	case missing != nil:
		t.notes = append(t.notes, "a part of the file table's own extents is unread: records of it were looked for on the volume")
	}
	if !ok || missing != nil {
		if err := t.rebuild(ctx, missing); err != nil {
			return nil, err
		}
	}
	for n := range uint64(mirrorRecords) {
		t.preferMirror(n)
	}
	t.locateAllocation()
	return t.table, nil
}

// followRecord takes the table's place from record 0. ok is false where it does
// not state the place; missing are the records without a known one.
func (t locator) followRecord() (missing []ranges.Range, ok bool) {
	rec := t.readRecord(recMFT)
	f := fileRecords{record: rec}
	m := f.gather(t.area, attrData, "")
	if rec.state != recordUsed || m == nil || !m.headed {
		return nil, false
	}
	t.bitmap = t.streamOf(&f, attrBitmap, "")
	if own := m.stream(t.r).place(0); own != unlocated && own != t.at(t.boot.MFT) {
		t.displaced = true
		t.notes = append(t.notes, fmt.Sprintf("the boot sector puts the file table at cluster %d, its own record at %d", t.boot.MFT, (own-t.start)/t.cluster))
	}
	t.use(m)
	// the table's further extents stand in records of the table itself
	list, whole := t.attributeList(rec)
	seen := map[uint64]bool{recMFT: true}
	for round, progress := 0, true; progress && round < mostRounds; round++ {
		progress = false
		for _, e := range list {
			n := e.ref.number()
			if e.typ != attrData || e.name != nil || seen[n] {
				continue
			}
			ext := t.readRecord(n)
			if ext.state != recordExtends || ext.base.number() != recMFT || ext.seq != e.ref.seq() {
				continue
			}
			seen[n], progress = true, true
			for i := range ext.attrs {
				if a := &ext.attrs[i]; a.is(attrData, "", ext) && !a.resident {
					m.add(t.area, ext, a)
				}
			}
		}
		if progress {
			m.settle()
			t.use(m)
		}
	}
	if !whole && t.missing() != nil {
		t.ownExtensions(rec, m, seen)
	}
	return t.missing(), true
}

// ownExtensions takes further extents of the table from records of it that say
// that they belong to record 0, where what names them was not wholly read. What
// they lead to may hold more.
func (t locator) ownExtensions(rec *record, m *mapping, seen map[uint64]bool) {
	looked := ranges.Set{}
	for round, again := 0, true; again && round < mostRounds; round++ {
		again = false
		for _, e := range slices.Clone(t.stream.extents) {
			from, to := (e.Offset+t.recordSize-1)/t.recordSize, min(e.Offset+e.Length, t.stream.size)/t.recordSize
			if e.Image < 0 || from >= to || looked.Covered(from, to-from) == to-from {
				continue
			}
			looked.Add(from, to-from)
			for n := uint64(from); n < uint64(to); n++ {
				at := e.Image + int64(n)*t.recordSize - e.Offset
				if !t.r.IsRead(at, stride) || seen[n] {
					continue
				}
				x := t.readRecord(n)
				if x.state != recordExtends || x.base != rec.ref() {
					continue
				}
				seen[n], again = true, true
				for i := range x.attrs {
					if a := &x.attrs[i]; a.is(attrData, "", x) && !a.resident {
						m.add(t.area, x, a)
					}
				}
			}
		}
		if again {
			m.settle()
			t.use(m)
		}
	}
}

// use takes the mapping as the table's place.
func (t locator) use(m *mapping) {
	t.stream = m.stream(t.r)
	t.stream.size = min(m.initialized, m.size)
	t.count = uint64(t.stream.size / t.recordSize)
	if limit := t.recordLimit(); t.count > limit {
		t.notes = append(t.notes, fmt.Sprintf("the file table states %d records, more than there is room for: %d looked at", t.count, limit))
		t.setCount(limit)
	}
	t.sized = true
}

// preferMirror decides whether a record is read from the mirror, which is so
// where that serves better.
func (t locator) preferMirror(n uint64) {
	usable := func(r *record) bool { return r.state == recordUsed } // as these always are
	rec := t.recordFrom(t.stream, n)
	t.mirrored[n] = false
	if !usable(rec) || !rec.data.Whole() {
		m := t.recordFrom(t.mirror, n)
		t.mirrored[n] = usable(m) && (!usable(rec) || m.data.Whole())
	}
}

// recordLimit is how many records the drive has room for in the volume,
// whatever that claims of itself: a hostile size or number must not make work.
func (v *area) recordLimit() uint64 {
	room := max(0, min(v.length, v.r.DriveSize()-v.start)) / v.boot.RecordSize
	return uint64(min(room, max(v.r.Size()/v.boot.RecordSize, manyRecords)))
}

// manyRecords are looked at of any table, however little of the drive is in the
// image. A table has at most as many more as the image has room for.
const manyRecords = 1 << 20

// locateAllocation finds the volume's bitmap of clusters.
func (t locator) locateAllocation() {
	rec := t.readRecord(recBitmap)
	if rec.state != recordUsed {
		return
	}
	f := t.file(rec)
	if s := t.streamOf(&f, attrData, ""); s != nil {
		s.size = min(s.size, (t.area.clusters+7)/8)
		t.allocated = s
	}
}

// streamOf is the stream of an attribute of a file, resident or not; nil where
// its place is not known.
func (t *table) streamOf(f *fileRecords, typ attrType, name string) *stream {
	if m := f.gather(t.area, typ, name); m != nil && m.headed {
		return m.stream(t.r)
	}
	if rec, a := f.find(typ, name); a != nil && a.resident {
		return t.residentStream(rec, a)
	}
	return nil
}

// tableOpposes reports whether what was read where the boot sector puts the file
// table contradicts it: neither record 0 nor its mirror is one, or of the system's
// records none is. A single one that fails its checks says nothing.
func (t *table) tableOpposes() bool {
	other := func(s *stream, n uint64) bool {
		var rec record
		rec.parse(s.read(make([]byte, t.recordSize), int64(n)*t.recordSize), n)
		return rec.data.Has(0, stride) && (rec.state == recordDamaged || string(rec.data.Data[:4]) != "FILE")
	}
	place := t.plain(t.at(t.boot.MFT), firstFile*t.recordSize)
	if other(place, recMFT) && other(t.plain(t.at(t.boot.MFTMirror), t.recordSize), recMFT) {
		return true
	}
	for n := range uint64(firstFile) {
		if !other(place, n) {
			return false
		}
	}
	return true
}

// confirmed is how many of the system's records stand where the boot sector puts the
// file table.
func (t *table) confirmed() (n int) {
	place := t.plain(t.at(t.boot.MFT), firstFile*t.recordSize)
	for k := range uint64(firstFile) {
		if rec := t.recordFrom(place, k); rec.state == recordUsed || rec.state == recordFree && rec.data.Has(0, stride) {
			n++
		}
	}
	return n
}

// firstNeeds is what is needed where record 0 could not be had: its place by
// the boot sector, or, if that was read, the mirror's.
func (v *area) firstNeeds() []ranges.Range {
	list := needs.New(v.r, needs.Most)
	list.First(v.boot.RecordSize, v.at(v.boot.MFT), v.at(v.boot.MFTMirror))
	return list.Ranges()
}

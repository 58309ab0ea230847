package ntfs

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"iter"

	"fileassay/extract"
)

// health tells the state of a volume's own structures.
type health struct{ *table }

// structures are the structures. damaged is how many records were read and fail
// their checks.
func (t health) structures(damaged int64) []extract.Structure {
	st := t.stream.health("file table")
	st.Note = fmt.Sprintf("%d records", t.count)
	if t.rebuilt {
		st.Note += ", found one by one: what says where the table lies is unread"
	}
	if damaged > 0 {
		st.Note += fmt.Sprintf(", %d of them damaged", damaged)
		if st.Health == extract.HealthRead {
			st.Health = extract.HealthDamaged
		}
	}
	journal := t.journal.s.health("journal")
	journal.Note = cmp.Or(t.journal.open, journal.Note)
	return append(t.bootSectors(), st, t.mirrorHealth(), t.bitmap.health("file table bitmap"), t.allocated.health("cluster bitmap"),
		t.recordHealth(recRoot, "root folder record"), t.recordHealth(recVolume, "volume record"), journal)
}

// boot compares the boot sector and its copy.
func (t health) bootSectors() []extract.Structure {
	size := t.boot.SectorSize
	list := []extract.Structure{t.plain(t.start, size).health("boot sector"), t.plain(t.start+t.boot.TotalSectors*size, size).health("boot sector copy")}
	var text [2][]byte
	for i := range list {
		s, b := &list[i], make([]byte, size)
		if _, err := t.r.ReadAt(b, s.Image); err != nil {
			s.Health, s.Unread = extract.HealthUnread, size
		} else if _, err := parseBootSector(b); err != nil {
			s.Health, s.Note = extract.HealthDamaged, err.Error()
		} else {
			text[i] = b
		}
	}
	if text[0] != nil && text[1] != nil && !bytes.Equal(text[0], text[1]) {
		list[1].Health, list[1].Note = extract.HealthDisagrees, "differs from the boot sector"
	}
	return list
}

// health is the health of a stream by what was read of it; there may be none.
func (s *stream) health(name string) extract.Structure {
	if s == nil {
		return extract.Structure{Name: name, Image: -1, Health: extract.HealthUnread, Note: "its place is unread"}
	}
	st := extract.Structure{Name: name, Image: -1, Length: s.size, Unread: s.unread(), Health: extract.HealthRead}
	if len(s.extents) > 0 {
		st.Image = s.extents[0].Image
	}
	switch {
	case st.Unread >= st.Length && st.Length > 0:
		st.Health = extract.HealthUnread
	case st.Unread > 0:
		st.Health = extract.HealthPartly
	}
	return st
}

// recordHealth is the health of a record by what was read of it and its checks.
func (t health) recordHealth(n uint64, name string) extract.Structure {
	st := t.plain(max(t.stream.place(int64(n)*t.recordSize), hole), t.recordSize).health(name)
	rec := t.readRecord(n)
	switch {
	case rec.state == recordUnread:
		st.Health = extract.HealthUnread
	case rec.state == recordDamaged:
		st.Health, st.Note = extract.HealthDamaged, rec.why
	case st.Unread > 0:
		st.Health = extract.HealthPartly
	case len(rec.torn) > 0:
		st.Health, st.Note = extract.HealthDamaged, "a sector of it is torn"
	}
	return st
}

// mirrorHealth compares the mirror with the records it mirrors.
func (t health) mirrorHealth() extract.Structure {
	st := t.mirror.health("file table mirror")
	for n := range uint64(mirrorRecords) {
		m := t.recordFrom(t.mirror, n)
		if m.state == recordDamaged {
			st.Health, st.Note = extract.HealthDamaged, fmt.Sprintf("record %d: %s", n, m.why)
			break
		}
		b := t.stream.read(make([]byte, t.recordSize), int64(n)*t.recordSize)
		if !m.data.Whole() || m.state == recordUnread || !b.Whole() {
			continue
		}
		var rec record
		if rec.parse(b, n); rec.state == recordDamaged || !bytes.Equal(rec.data.Data, m.data.Data) {
			st.Health, st.Note = extract.HealthDisagrees, fmt.Sprintf("record %d differs from the table's", n)
			break
		}
	}
	return st
}

// countDamaged counts the records of the table that were read but fail their
// checks.
func (t health) countDamaged(ctx context.Context) (total int64, err error) {
	err = overTable(ctx, t.table, "", func(records iter.Seq[*record]) (n int64) {
		for rec := range records {
			if rec.state == recordDamaged || len(rec.torn) > 0 {
				n++
			}
		}
		return n
	}, func(n int64) error { total += n; return nil })
	return total, err
}

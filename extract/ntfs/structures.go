package ntfs

import (
	"bytes"
	"context"
	"fmt"

	"fileassay/extract"
)

// structures reports the health of the volume's own structures. See
// [extract.Filesystem].
func (v *Volume) structures(ctx context.Context) ([]extract.Structure, error) {
	out := v.bootStructures()
	t := v.table
	st := v.streamHealth("file table", t.stream)
	st.Note = fmt.Sprintf("%d records", t.count)
	if t.rebuilt {
		st.Note += ", found one by one: what says where the table lies is unread"
	}
	if damaged := v.damagedRecords(ctx); damaged > 0 {
		st.Note += fmt.Sprintf(", %d of them damaged", damaged)
		if st.Health == extract.HealthRead {
			st.Health = extract.HealthDamaged
		}
	}
	out = append(out, st, v.mirrorHealth())
	if t.bitmap != nil {
		out = append(out, v.streamHealth("file table bitmap", t.bitmap))
	} else {
		out = append(out, extract.Structure{Name: "file table bitmap", Image: -1, Health: extract.HealthUnread, Note: "its place is unread"})
	}
	if v.bitmap != nil {
		out = append(out, v.streamHealth("cluster bitmap", v.bitmap))
	} else {
		out = append(out, extract.Structure{Name: "cluster bitmap", Image: -1, Health: extract.HealthUnread, Note: "its place is unread"})
	}
	for _, f := range []struct {
		number uint64
		name   string
	}{{recRoot, "root folder record"}, {recVolume, "volume record"}} {
		out = append(out, v.recordHealth(f.number, f.name))
	}
	journal := extract.Structure{Name: "journal", Image: -1, Health: extract.HealthUnread, Note: "its place is unread"}
	if rec := v.readRecord(recLogFile); rec.state == recordUsed {
		if m := v.gather(rec, attrData, nil); m != nil && m.headed {
			journal = v.streamHealth("journal", v.stream(m))
		}
	}
	if v.journalOpen != "" {
		journal.Note = v.journalOpen
	}
	return append(out, journal), ctx.Err()
}

func (v *Volume) bootStructures() []extract.Structure {
	size := v.boot.SectorSize
	places := [2]int64{v.start, v.start + v.boot.TotalSectors*size}
	var list [2]extract.Structure
	var text [2][]byte
	for i, name := range [2]string{"boot sector", "boot sector copy"} {
		s := extract.Structure{Name: name, Image: places[i], Length: size, Health: extract.HealthRead}
		b := make([]byte, size)
		if _, err := v.r.ReadAt(b, places[i]); err != nil {
			s.Health, s.Unread = extract.HealthUnread, size
		} else if _, err := parseBootSector(b); err != nil {
			s.Health, s.Note = extract.HealthDamaged, err.Error()
		} else {
			text[i] = b
		}
		list[i] = s
	}
	if text[0] != nil && text[1] != nil && !bytes.Equal(text[0], text[1]) {
		list[1].Health, list[1].Note = extract.HealthDisagrees, "differs from the boot sector"
	}
	return list[:]
}

// streamHealth is the health of a stream by what was read of it.
func (v *Volume) streamHealth(name string, s *stream) extract.Structure {
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

func (v *Volume) recordHealth(n uint64, name string) extract.Structure {
	size := v.table.recordSize
	st := extract.Structure{Name: name, Image: v.table.recordAt(n), Length: size, Health: extract.HealthRead}
	if st.Image >= 0 {
		for u := range v.r.Unread(st.Image, size) {
			st.Unread += u.Length
		}
	}
	rec := v.readRecord(n)
	switch {
	case rec.state == recordUnread:
		st.Health = extract.HealthUnread
	case rec.state == recordDamaged:
		st.Health, st.Note = extract.HealthDamaged, rec.why
	case st.Unread > 0:
		st.Health = extract.HealthPartly
	case rec.torn != 0:
		st.Health, st.Note = extract.HealthDamaged, "a sector of it is torn"
	}
	return st
}

// mirrorHealth compares the mirror with the records it mirrors.
func (v *Volume) mirrorHealth() extract.Structure {
	size := mirrorRecords * v.table.recordSize
	st := extract.Structure{Name: "file table mirror", Image: v.table.mirror, Length: size, Health: extract.HealthRead}
	for u := range v.r.Unread(v.table.mirror, size) {
		st.Unread += u.Length
	}
	switch {
	case st.Unread >= size:
		st.Health = extract.HealthUnread
	case st.Unread > 0:
		st.Health = extract.HealthPartly
	}
	for n := range uint64(mirrorRecords) {
		m := v.readMirror(n)
		if m.state == recordDamaged {
			st.Health, st.Note = extract.HealthDamaged, fmt.Sprintf("record %d: %s", n, m.why)
			break
		}
		b := make([]byte, v.table.recordSize)
		off := int64(n) * v.table.recordSize
		if m.bad != 0 || m.state == recordUnread || len(v.table.read(b, off)) > 0 {
			continue
		}
		var rec record
		rec.parse(b, n, 0)
		if rec.state == recordDamaged || !bytes.Equal(rec.data, m.data) {
			st.Health, st.Note = extract.HealthDisagrees, fmt.Sprintf("record %d differs from the table's", n)
			break
		}
	}
	return st
}

// damagedRecords counts records of the table that were read but fail their
// checks.
func (v *Volume) damagedRecords(ctx context.Context) int64 {
	var total int64
	_ = extract.InOrder(ctx, v.opt.Workers(), v.table.chunks(), func(_ context.Context, i int) (int64, error) {
		var n int64
		err := v.eachRecord(i, func(rec *record) error {
			if rec.state == recordDamaged || rec.torn != 0 {
				n++
			}
			return nil
		})
		return n, err
	}, func(n int64) error { total += n; return nil })
	return total
}

package hfsplus

import (
	"context"
	"fmt"

	"fileassay/extract"
)

// structures reports the health of the volume header and its alternate, the
// allocation file, the trees and the journal. It implements
// [extract.Filesystem].
func (v *Volume) structures(ctx context.Context) ([]extract.Structure, error) {
	if err := v.load(ctx); err != nil {
		return nil, err
	}
	out := []extract.Structure{
		v.headerHealth("volume header", v.start+headerOffset),
		v.headerHealth("alternate volume header", v.alternateAt()),
		v.forkHealth("allocation file", v.allocation),
	}
	for _, t := range []*tree{v.trees.extents, v.trees.catalog, v.trees.attributes} {
		if t != nil {
			out = append(out, v.treeHealth(t))
		}
	}
	if v.journal.present {
		out = append(out, v.journalHealth())
	}
	return out, nil
}

// alternateAt is where the alternate header stands: 1024 bytes before the end
// of the place that the volume is in, or of the volume.
func (v *Volume) alternateAt() int64 {
	if v.alternate {
		return v.headerAt
	}
	at := v.start + v.length - alternateOffset
	var h volumeHeader
	if v.readHeader(at, &h) != nil {
		if own := v.start + v.header.bytes() - alternateOffset; v.readHeader(own, &h) == nil {
			return own
		}
	}
	return at
}

func (v *Volume) headerHealth(name string, at int64) extract.Structure {
	s := extract.Structure{Name: name, Image: at, Length: headerSize, Health: extract.HealthRead}
	if s.Unread = v.src.unreadPlain(at, headerSize); s.Unread > 0 {
		s.Health = extract.HealthUnread
		return s
	}
	var h volumeHeader
	if err := v.readHeader(at, &h); err != nil {
		s.Health, s.Note = extract.HealthDamaged, err.Error()
		return s
	}
	if h.blockSize != v.header.blockSize || h.totalBlocks != v.header.totalBlocks {
		s.Health = extract.HealthDisagrees
		s.Note = fmt.Sprintf("%d blocks of %d bytes, the other %d of %d", h.totalBlocks, h.blockSize, v.header.totalBlocks, v.header.blockSize)
	} else if at == v.headerAt && v.alternate {
		s.Note = "used in place of the volume header"
	}
	return s
}

// unreadPlain counts the unread bytes of [off, off+n), the journal left aside.
func (s *source) unreadPlain(off, n int64) int64 {
	var sum int64
	for u := range s.r.Unread(off, n) {
		sum += u.Length
	}
	return sum
}

// forkHealth is the health of a fork whose bytes have no checks of their own.
func (v *Volume) forkHealth(name string, f *fork) extract.Structure {
	s := extract.Structure{Name: name, Image: -1, Length: f.size, Health: extract.HealthRead}
	if len(f.runs) > 0 {
		s.Image = f.runs[0].Image
	}
	s.Unread = f.unread()
	switch {
	case s.Unread >= s.Length && s.Length > 0:
		s.Health = extract.HealthUnread
	case s.Unread > 0:
		s.Health = extract.HealthPartly
	}
	if len(f.why) > 0 {
		s.Health, s.Note = extract.HealthDamaged, f.why[0]
	} else if f.gaps {
		s.Note = "a part of it is not located"
	}
	return s
}

func (v *Volume) treeHealth(t *tree) extract.Structure {
	s := v.forkHealth(t.name, t.fork)
	switch {
	case t.badNodes > 0:
		s.Health, s.Note = extract.HealthDamaged, fmt.Sprintf("%d of %d nodes fail their checks", t.badNodes, t.total)
	case t.unreadNodes+t.partNodes > 0:
		s.Note = fmt.Sprintf("of its %d nodes %d are unread and %d unread in part", t.total, t.unreadNodes, t.partNodes)
	case !t.headerOK:
		s.Note = "its header " + t.headerIs
	}
	return s
}

func (v *Volume) journalHealth() extract.Structure {
	s := extract.Structure{Name: "journal", Image: v.journal.at, Length: v.journal.length, Health: extract.HealthRead}
	if v.journal.at < 0 {
		s.Health = extract.HealthUnread
	} else if s.Unread = v.src.unreadPlain(v.journal.at, v.journal.length); s.Unread > 0 {
		s.Health = extract.HealthPartly
		if s.Unread >= s.Length {
			s.Health = extract.HealthUnread
		}
	}
	if v.journal.damaged != "" {
		s.Health, s.Note = extract.HealthDamaged, v.journal.damaged
	} else if len(v.journal.notes) > 0 {
		s.Note = v.journal.notes[0]
	}
	return s
}

package hfsplus

import (
	"fmt"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// health is that of the volume header and its alternate, the allocation file,
// the trees, once they were scanned, and the journal.
func (l *layout) health() []extract.Structure {
	out := []extract.Structure{
		l.headerHealth("volume header", &l.first),
		l.headerHealth("alternate volume header", &l.last),
		l.allocation.health("allocation file"),
	}
	for _, t := range l.there() {
		out = append(out, t.health())
	}
	if l.journal.present {
		out = append(out, l.journal.health(l.src.r))
	}
	return out
}

func (l *layout) headerHealth(name string, c *headerCopy) extract.Structure {
	s := extract.Structure{Name: name, Image: c.at, Length: headerSize, Unread: unread(l.src.r, c.at, headerSize), Health: extract.HealthRead}
	switch {
	case s.Unread > 0:
		s.Health = extract.HealthUnread
	case c.err != nil:
		s.Health, s.Note = extract.HealthDamaged, c.err.Error()
	case c.blockSize != l.header.blockSize || c.totalBlocks != l.header.totalBlocks:
		s.Health = extract.HealthDisagrees
		s.Note = fmt.Sprintf("%d blocks of %d bytes, the other %d of %d", c.totalBlocks, c.blockSize, l.header.totalBlocks, l.header.blockSize)
	case l.alternate && c == &l.last:
		s.Note = "used in place of the volume header"
	}
	return s
}

// readHealth is the health of what has no checks of its own.
func readHealth(unread, length int64) extract.Health {
	switch {
	case unread >= length && length > 0:
		return extract.HealthUnread
	case unread > 0:
		return extract.HealthPartly
	}
	return extract.HealthRead
}

func (f *fork) health(name string) extract.Structure {
	s := extract.Structure{Name: name, Image: -1, Length: f.size, Unread: f.unread()}
	if len(f.runs) > 0 {
		s.Image = f.runs[0].Image
	}
	s.Health = readHealth(s.Unread, s.Length)
	if len(f.why) > 0 {
		s.Health, s.Note = extract.HealthDamaged, f.why[0]
	} else if f.gaps {
		s.Note = "a part of it is not located"
	}
	return s
}

func (t *tree) health() extract.Structure {
	s := t.fork.health(t.name)
	switch {
	case t.badNodes > 0:
		s.Health, s.Note = extract.HealthDamaged, fmt.Sprintf("%d of %d nodes fail their checks", t.badNodes, t.total)
	case t.odd > 0:
		s.Health, s.Note = extract.HealthDisagrees, fmt.Sprintf("its node map, index and links do not agree on %d nodes", t.odd)
	case t.garbled > 0:
		s.Health, s.Note = extract.HealthDamaged, fmt.Sprintf("%d of %d nodes fail their checks in part", t.garbled, t.total)
	case t.unreadNodes+t.partNodes > 0:
		s.Note = fmt.Sprintf("of its %d nodes %d are unread and %d unread in part", t.total, t.unreadNodes, t.partNodes)
	case !t.headerOK:
		s.Note = "its header " + t.headerIs
	}
	return s
}

func (j *journalState) health(r *image.Reader) extract.Structure {
	s := extract.Structure{Name: "journal", Image: j.at, Length: j.length, Health: extract.HealthUnread}
	if j.at >= 0 {
		s.Unread = unread(r, j.at, j.length)
		s.Health = readHealth(s.Unread, s.Length)
	}
	if j.damaged != "" {
		s.Health, s.Note = extract.HealthDamaged, j.damaged
	} else if len(j.notes) > 0 {
		s.Note = j.notes[0]
	}
	return s
}

// claim claims what the volume's own structures lie in.
func (l *layout) claim(own *ranges.Set) {
	bs := l.header.blockSize
	own.Add(l.start, (headerOffset+headerSize+bs-1)/bs*bs)
	end := l.header.bytes()
	last := max(end-alternateOffset, 0) / bs * bs
	own.Add(l.start+last, end-last)
	forks := []*fork{l.allocation, l.own(&l.header.startup, idStartup)}
	for _, t := range l.there() {
		forks = append(forks, t.fork)
	}
	for _, f := range forks {
		for _, r := range f.runs {
			own.Add(r.Image, r.Length)
		}
	}
	if l.journal.info >= 0 {
		own.Add(l.journal.info, bs)
	}
	if l.journal.at >= 0 {
		own.Add(l.journal.at, l.journal.length)
	}
	for _, r := range l.overflow.of(idBadBlocks, dataFork) {
		for _, b := range r.runs {
			if l.header.holds(b) {
				own.Add(l.at(b.start), int64(b.count)*bs)
			}
		}
	}
}

package fat

import (
	"bytes"

	"fileassay/extract"
)

// entries is for [format].
func (d *fatFormat) entries(f folder, slots func(func(slot) bool), yield func(*entry)) tally {
	p := fatParser{fatFormat: d, folder: f, yield: yield}
	if slots(p.slot); !p.tally.Ended {
		p.long.reset() // its entry may stand in a part of the folder that is not known
	}
	p.flush(false)
	p.tally.Faulty += p.long.stray
	return p.tally
}

// fatParser is the state within a folder.
type fatParser struct {
	*fatFormat
	folder folder
	yield  func(*entry)
	tally  tally
	long   longName
	labels int
}

func (p *fatParser) slot(s slot) bool {
	if s.Bytes == nil {
		p.flush(true)
		p.tally.Unread += s.Count
		p.tally.Records += s.Count
		p.long.cut = true
		return true
	}
	b := s.Bytes
	if s.N%(512/slotSize) == 0 && p.long.whole() != nil && !p.long.names(b) {
		p.tally.Faulty++ // the sector before ends with a name, and this one is not as it was
		p.flush(true)
	}
	switch {
	case b[0] == slotEnd:
		p.flush(false)
		p.tally.Ended = true
		return false
	case b[0] == slotDeleted:
		p.long.drop()
		return true
	case isLong(b):
		long, ok := parseLong(b)
		p.long.add(long, ok, s.At, s.AfterGap)
		return true
	}
	e := parseShort(b)
	if !p.folder.Root && !p.folder.Partial && s.N < 2 && p.dot(&e, s.N) {
		return true
	}
	if e.Name != dot && e.Name != dotdot {
		p.entry(&e, s.At)
	}
	p.long.reset()
	return true
}

var (
	dot    = [11]byte{'.', ' ', ' ', ' ', ' ', ' ', ' ', ' ', ' ', ' ', ' '}
	dotdot = [11]byte{'.', '.', ' ', ' ', ' ', ' ', ' ', ' ', ' ', ' ', ' '}
)

// dot checks the first two slots of a folder, which name itself and its
// parent. Overview, "FAT Directory Structure", on directories.
func (p *fatParser) dot(e *shortEntry, n int64) bool {
	want := dot
	if n == 1 {
		want = dotdot
	}
	if e.Name != want || e.Attr&attrFolder == 0 || n == 0 && p.first(e) != p.folder.First ||
		n == 1 && p.folder.HasParent && p.parent(e) != p.folder.Parent {
		p.tally.Doubt = true
		return false
	}
	return true
}

// parent is what the second slot of a folder names: the Overview wants 0 for the
// root, and some write its cluster.
func (d *fatFormat) parent(up *shortEntry) uint32 {
	if c := d.first(up); c != d.boot.RootCluster {
		return c
	}
	return 0
}

func (p *fatFormat) first(e *shortEntry) uint32 {
	if p.boot.Width != width28 {
		return e.First & 0xFFFF // the high half is of no meaning
	}
	return e.First
}

// flush ends a long name whose entry did not come. Where the slot after all
// its parts was not read, or is none that comes there, the name is all that is
// known of the file.
func (p *fatParser) flush(lost bool) {
	units := p.long.whole()
	if lost && units != nil {
		e := &entry{At: p.long.at, NameOnly: true, Size: -1,
			Why: []string{"only its long name was read: the entry with its place and size is unread"}}
		e.Name, e.NameBytes = extract.NameFromUTF16(units)
		p.yield(e)
	}
	if lost {
		p.long.reset()
	}
	p.long.drop()
}

// entry yields what a short entry and the long name before it say.
func (p *fatParser) entry(s *shortEntry, at int64) {
	if !s.sensible() {
		p.tally.Faulty++
		return
	}
	if s.Attr&attrLabel != 0 {
		p.labels++
		switch stray := s.Attr&attrFolder != 0 || !p.folder.Root && !p.folder.Partial || p.long.parts > 0; {
		case stray || p.labels > 1 || s.Size != 0 || p.first(s) != 0:
			// only the root has a label, one, which has no long name and no content
			p.tally.Faulty++
		case p.folder.Root && p.label == "":
			p.label = labelName(s.raw(), p.codepage)
		}
		return
	}
	e := &entry{At: at, Folder: s.Attr&attrFolder != 0, First: p.first(s), Size: int64(s.Size),
		Modified: s.modified(), Local: true, Doubtful: p.tally.Doubt}
	e.Valid = e.Size
	if e.Folder {
		e.Size, e.Valid = -1, -1
	}
	if p.tally.Doubt {
		e.Why = append(e.Why, "the folder it stands in does not begin with slots that name it and its parent")
	}
	switch units := p.long.whole(); {
	case units != nil && p.long.sum == checksum(&s.Name):
		e.Name, e.NameBytes = extract.NameFromUTF16(units)
	default:
		e.Name, e.NameBytes = shortName(s, p.codepage)
		switch {
		case p.long.cut:
			e.HalfNamed = true
			if tilde(&s.Name) || p.long.parts > 0 {
				e.Why = append(e.Why, "its long name is partly or wholly unread: this is the short one")
			} else {
				e.Why = append(e.Why, "the slots before its entry are unread: it may have a long name too")
			}
		case units != nil:
			e.Why = append(e.Why, "the long name before its entry belongs to another (its checksum differs): this is the short one")
		case p.long.parts > 0 || p.long.broken:
			e.Why = append(e.Why, "the slots of its long name make no sense: this is the short one")
		}
		p.long.drop()
	}
	p.yield(e)
}

// tilde reports whether a short name is one that was made for a long name.
// Overview, "The Basis-Name Generation Algorithm" and numeric tails.
func tilde(name *[11]byte) bool {
	return bytes.IndexByte(name[1:8], '~') >= 0
}

// folderHead is for [format]: one sector.
func (d *fatFormat) folderHead() int64 { return 512 }

// folderStart is for [format]. The first cluster of a folder begins with
// a slot that names the cluster itself. Any other is taken for a part of a
// folder only where all its slots make sense and one at least has a long name
// whose checksum fits.
func (d *fatFormat) folderStart(c uint32, b []byte) look {
	if len(b) < 2*slotSize {
		return look{}
	}
	e := parseShort(b)
	if e.Name == dot && e.Attr&attrFolder != 0 {
		if d.first(&e) != c {
			return look{}
		}
		up := parseShort(b[slotSize:])
		s := look{Folder: true, Head: true}
		if up.Name == dotdot && up.Attr&attrFolder != 0 {
			s.Parent, s.HasParent = d.parent(&up), true
		}
		return s
	}
	var long longName
	proved := false
	for i := 0; i+slotSize <= len(b); i += slotSize {
		slot := b[i : i+slotSize]
		switch {
		case slot[0] == slotEnd:
			return look{Folder: proved}
		case slot[0] == slotDeleted:
			long.reset()
		case isLong(slot):
			part, ok := parseLong(slot)
			if !ok {
				return look{}
			}
			long.add(part, ok, 0, i == 0)
		default:
			e := parseShort(slot)
			if !e.sensible() || e.Attr&attrLabel != 0 {
				return look{}
			}
			if first := d.first(&e); first != 0 && !d.geo.valid(first) {
				return look{}
			}
			if long.whole() != nil && long.sum == checksum(&e.Name) {
				proved = true
			}
			long.reset()
		}
	}
	return look{Folder: proved}
}

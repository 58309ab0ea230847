package fat

import (
	"fmt"

	"fileassay/extract"
)

const (
	minSet        = 3  // slots of the smallest set: file, stream, one name
	maxSecondary  = 18 // that a set may have: section 7.4.1
	unreadName    = "its name is partly or wholly unread"
	unproved      = "a part of its set of entries is unread or makes no sense, so that its checksum cannot be proved"
	wrongChecksum = "its set of entries does not match its checksum"
)

// entries is for [format].
func (d *exfatFormat) entries(f folder, slots func(func(slot) bool), yield func(*entry)) tally {
	p := exfatParser{exfatFormat: d, folder: f, yield: yield}
	slots(p.slot)
	p.close(!p.tally.Ended) // the rest may stand in a part of the folder that is not known
	return p.tally
}

// exfatParser is the state within a folder: the set that is being gathered.
type exfatParser struct {
	*exfatFormat
	folder folder
	yield  func(*entry)
	tally  tally
	entrySet
	skip int // secondary slots to leave aside: of a set that is not a file's
}

// entrySet is a set of entries as far as it came.
type entrySet struct {
	open     bool // it has begun
	at       int64
	file     fileSlot
	hasFile  bool
	stream   streamSlot
	hasStrm  bool
	names    []uint16
	sum      uint16
	left     int  // secondary slots still to come; of a set without file slot: not known
	critical bool // an unknown slot that must be understood
}

func (p *exfatParser) slot(s slot) bool {
	if s.Bytes == nil {
		p.close(true)
		p.skip = 0
		p.tally.Unread += s.Count
		p.tally.Records += (s.Count + minSet - 1) / minSet
		return true
	}
	b := s.Bytes
	switch {
	case b[0] == typeEnd:
		p.close(false)
		p.tally.Ended = true
		return false
	case !inUse(b):
		p.close(false)
		p.skip = 0
	case secondary(b):
		p.secondary(b, s.At, s.AfterGap)
	default:
		p.close(false)
		p.primary(b, s.At)
	}
	return true
}

// primary begins a set.
func (p *exfatParser) primary(b []byte, at int64) {
	p.skip = 0
	switch b[0] {
	case typeFile:
		p.entrySet = entrySet{open: true, at: at, hasFile: true, file: parseFile(b), sum: addChecksum(0, b, true)}
		p.left = p.file.Secondaries
		if p.left < minSet-1 || p.left > 255 {
			p.tally.Faulty++
			p.open = false
			p.skip = p.left
		}
	case typeBitmap:
		if p.folder.Root && len(p.bitmaps) < 2 {
			p.bitmaps = append(p.bitmaps, parsePlaced(b))
		}
	case typeUpcase:
		if p.folder.Root && p.upAt == nil {
			p.upAt = new(parsePlaced(b))
		}
	case typeLabel:
		if n := int(b[1]); p.folder.Root && p.label == "" && n > 0 && n <= 11 {
			p.label, _ = extract.NameFromUTF16(appendName(nil, b)[:n])
		}
	default: // section 8.2: what is not known is left aside with its secondary slots
		if b[0]&bitBenign == 0 {
			p.tally.Faulty++
		}
		p.skip = int(b[1])
	}
}

// secondary takes a further slot of a set.
func (p *exfatParser) secondary(b []byte, at int64, afterGap bool) {
	if p.skip > 0 {
		p.skip--
		return
	}
	if p.open && p.hasStrm && b[0] == typeStream {
		p.close(false) // of another set: a sector between is not as it was
	}
	if !p.open {
		if b[0] != typeStream {
			return // the rest of a set of which a part was unread or makes no sense
		}
		// the slot before, which was the file's, is unread or is none any more
		if !afterGap {
			p.tally.Faulty++
		}
		p.entrySet = entrySet{open: true, at: at, left: maxSecondary}
	}
	more := p.hasStrm && len(p.names) < p.stream.NameLength // of its name, whatever its first slot says
	if p.left <= 0 && !(more && b[0] == typeName) {
		p.close(false)
		return
	}
	p.left--
	p.sum = addChecksum(p.sum, b, false)
	switch {
	case b[0] == typeStream && !p.hasStrm:
		p.hasStrm, p.stream = true, parseStream(b)
	case b[0] == typeName && p.hasStrm && len(p.names) < 255:
		p.names = appendName(p.names, b)
	case b[0]&bitBenign == 0:
		p.critical = true
	}
	named := p.hasStrm && len(p.names) >= p.stream.NameLength
	if p.hasFile && p.left <= 0 && (named || !p.hasStrm) || !p.hasFile && named {
		p.close(false)
	}
}

// close ends a set and yields what it says. cut says that its next slot was
// not read.
func (p *exfatParser) close(cut bool) {
	if !p.open {
		return
	}
	defer func() { p.entrySet = entrySet{} }()
	whole := p.hasFile && p.left == 0
	if p.hasFile && !whole && !cut || !p.hasStrm && (whole || p.critical) {
		p.tally.Faulty++ // it ends before its slots do, or has others: what was read of it counts
		whole = false
	}
	if !p.hasFile && p.stream.NameLength == 0 {
		return
	}
	e := &entry{At: p.at, Size: -1}
	why := func(s string) { e.Why = append(e.Why, s) }
	if p.hasFile {
		e.Folder = p.file.Attributes&attrFolder != 0
		e.Modified, e.Local = p.file.modified()
	}
	switch {
	case !whole:
		e.Doubtful = true
		why(unproved)
	case p.sum != p.file.Checksum:
		e.Doubtful = true
		why(wrongChecksum)
	case p.critical:
		e.Doubtful = true
		why("its set has an entry of an unknown kind that must be understood")
	}
	p.name(e, whole)
	if p.hasStrm {
		p.place(e)
	} else {
		why("the entry with its place and size is unread or makes no sense")
	}
	if !p.hasFile {
		e.Doubtful = true
		e.Folder, e.Guessed = p.looksFolder(e), true
	}
	p.yield(e)
}

// name gives the entry its name, if all of it was read.
func (p *exfatParser) name(e *entry, whole bool) {
	n := p.stream.NameLength
	if !p.hasStrm || n == 0 || len(p.names) < n {
		if whole {
			e.Doubtful = true
			e.Why = append(e.Why, "its set of entries holds no name")
		} else {
			e.Why = append(e.Why, unreadName)
		}
		if len(p.names) > 0 {
			shown, _ := extract.NameFromUTF16(p.names)
			e.Why = append(e.Why, fmt.Sprintf("its name begins with %q", shown))
		}
		return
	}
	units := p.names[:n]
	if p.upcase != nil && nameHash(units, p.upcase) != p.stream.NameHash {
		e.Why = append(e.Why, "its name does not match its hash")
		if !whole {
			return // the slots are not of one set
		}
	}
	e.Name, e.NameBytes = extract.NameFromUTF16(units)
}

// place takes over what the stream slot says of the content.
func (p *exfatParser) place(e *entry) {
	s := &p.stream
	const most = 1<<62 - 1
	e.First = s.First
	e.Contiguous = s.Flags&flagContiguous != 0
	e.Size, e.Valid = int64(min(s.Length, most)), int64(min(s.Valid, most))
	if s.Length > most {
		e.Doubtful = true
		e.Why = append(e.Why, "its stated size makes no sense")
	}
	if s.Valid > s.Length {
		e.Valid = e.Size
		e.Doubtful = true
		e.Why = append(e.Why, "its valid length is more than its size")
	}
	if s.Flags&flagAllocated == 0 { // 6.3.4.1: the place is not defined
		e.First, e.Contiguous = 0, false
	}
	if e.Folder {
		e.Valid = e.Size
	}
}

// looksFolder judges an entry whose file slot is unread. The size of a folder
// is whole clusters, all of them valid (section 7.6.5 and 7.6.7); one is taken
// for a folder where its name does not look like a file's.
func (p *exfatParser) looksFolder(e *entry) bool {
	if e.First == 0 || e.Size == 0 || e.Size%p.geo.cluster != 0 || e.Valid != e.Size {
		return false
	}
	return !looksFile(e.Name)
}

// folderHead is for [format]: room for a whole set that begins after the
// rest of another.
func (d *exfatFormat) folderHead() int64 { return 1024 + 256 }

// folderStart is for [format]: a cluster is a part of a folder where a
// set stands near its beginning, after nothing but the rest of another set,
// whose checksum fits.
func (d *exfatFormat) folderStart(_ uint32, b []byte) look {
	for i := 0; i+slotSize <= len(b); i += slotSize {
		slot := b[i : i+slotSize]
		switch {
		case slot[0] == typeFile:
			return look{Folder: setFits(b[i:])}
		case slot[0] == typeEnd:
			return look{}
		case inUse(slot) && !secondary(slot):
			return look{}
		case inUse(slot) && i > maxSecondary*slotSize:
			return look{}
		}
	}
	return look{}
}

// setFits reports whether b begins with a whole file set whose checksum fits.
func setFits(b []byte) bool {
	f := parseFile(b)
	n := (1 + f.Secondaries) * slotSize
	if f.Secondaries < minSet-1 || n > len(b) || b[slotSize] != typeStream {
		return false
	}
	var sum uint16
	for i := 0; i < n; i += slotSize {
		sum = addChecksum(sum, b[i:], i == 0)
	}
	return sum == f.Checksum
}

package result

import (
	"errors"
	"fmt"
	"iter"
	"slices"

	"fileassay/extract/imap"
	"fileassay/extract/ranges"
)

// A Place is a range of the drive that was not read, with what it holds. The
// places of a result cover every unread byte of the drive once.
type Place struct {
	Start, Length int64
	Kind
}

// End is the first byte past the place.
func (p *Place) End() int64 { return p.Start + p.Length }

// Kind says what unread places are: their state, and what they hold of each
// volume that they lie in, in order of the volumes. It holds of no volume what
// lies outside of all.
type Kind struct {
	State imap.State
	In    []Holder
}

// Holder says what a place holds of one volume.
type Holder struct {
	Volume int    // by number
	Holds  string // one of the words below
	Name   string // of the structure, in the filesystem's own terms, where it is one of those that have a fixed place
}

// What places hold, as in [Places].
const (
	HoldsFiles      = "files"
	HoldsStructures = "structures"
	HoldsUnknown    = "unknown"
	HoldsFree       = "free"
)

var holdWords = [...]string{HoldsFiles, HoldsStructures, HoldsUnknown, HoldsFree}

// Most is what places of the kind hold that would be missed most, where volumes
// overlap; "" outside any. By it every byte is counted once.
func (k *Kind) Most() string {
	for _, holds := range holdWords {
		if slices.ContainsFunc(k.In, func(h Holder) bool { return h.Holds == holds }) {
			return holds
		}
	}
	return ""
}

// of is the count of what holds one thing, or of what lies outside.
func (p *Places) of(holds string) *Unread {
	switch holds {
	case HoldsFiles:
		return &p.Files
	case HoldsStructures:
		return &p.Structures
	case HoldsUnknown:
		return &p.Unknown
	case HoldsFree:
		return &p.Free
	}
	return &p.Outside
}

// Tally adds the bytes of a place to the counts of the drive and of its
// volumes, which are given in order of their numbers.
func (p *Place) Tally(drive *Places, volumes []Volume) {
	drive.of(p.Most()).Count(p.State, p.Length)
	for _, h := range p.In {
		volumes[h.Volume-1].Unread.of(h.Holds).Count(p.State, p.Length)
	}
}

// unreadLine is a line of places: so many that a reader of lines need not hold
// more.
type unreadLine struct {
	kinds  []Kind
	ranges [][3]int64 // [start, length, kind], in order of place
}

// rangesALine bounds the places of a line, kindsALine the kinds.
const (
	rangesALine = 1024
	kindsALine  = 64
)

// unreadFields describes a line of unread places.
var unreadFields = []field[unreadLine]{
	constant[unreadLine]("type", "unread"),
	always("kinds", func(l *unreadLine) *[]Kind { return &l.kinds }, listOf(object(nil,
		always("state", func(k *Kind) *imap.State { return &k.State }, stateWord),
		present("in", func(k *Kind) *[]Holder { return &k.In }, listOf(object(nil,
			always("volume", func(h *Holder) *int { return &h.Volume }, small),
			always("holds", func(h *Holder) *string { return &h.Holds }, text),
			present("name", func(h *Holder) *string { return &h.Name }, text))))))),
	always("ranges", func(l *unreadLine) *[][3]int64 { return &l.ranges }, listOf(triple)),
}

var stateWord = codec[imap.State]{
	write: func(b []byte, s imap.State) []byte { return appendString(b, s.String()) },
	read: func(s *scanner, v *imap.State) error {
		t, err := s.text()
		if err == nil {
			ok := false
			if *v, ok = imap.ParseState(t); !ok {
				err = fmt.Errorf("%w: %q is no state", errJSON, t)
			}
		}
		return err
	},
}

// kind is the number of a kind in the line, with room made for it; -1 where the
// line is full.
func (l *unreadLine) kind(k *Kind) int64 {
	for i := len(l.kinds) - 1; i >= 0; i-- {
		if l.kinds[i].State == k.State && slices.Equal(l.kinds[i].In, k.In) {
			return int64(i)
		}
	}
	if len(l.kinds) == kindsALine {
		return -1
	}
	l.kinds = append(l.kinds, Kind{k.State, slices.Clone(k.In)})
	return int64(len(l.kinds) - 1)
}

var errPlace = errors.New("unread places overlap, are out of order, or lie outside the drive")

// each calls yield for the places of a line; pos is the end of the place
// before, and comes back as that of the last one.
func (l *unreadLine) each(im *Image, volumes int, pos int64, yield func(*Place) bool) (end int64, more bool, err error) {
	for i := range l.kinds {
		k := &l.kinds[i]
		if k.State == imap.Read {
			return pos, false, errors.New("a place that was read is none that was not read")
		}
		for j, h := range k.In {
			if h.Volume < 1 || h.Volume > volumes || j > 0 && h.Volume <= k.In[j-1].Volume || !slices.Contains(holdWords[:], h.Holds) {
				return pos, false, fmt.Errorf("unread places of volume %d hold %q: there is no such volume or thing", h.Volume, h.Holds)
			}
		}
	}
	for _, g := range l.ranges {
		if g[0] < pos || g[1] <= 0 || g[0] > im.DriveSize-g[1] {
			return pos, false, fmt.Errorf("%w: %d bytes at offset %d", errPlace, g[1], g[0])
		}
		if g[2] < 0 || g[2] >= int64(len(l.kinds)) {
			return pos, false, fmt.Errorf("%w: kind %d is not told", errPlace, g[2])
		}
		pos = g[0] + g[1]
		if !yield(&Place{g[0], g[1], l.kinds[g[2]]}) {
			return pos, false, nil
		}
	}
	return pos, true, nil
}

// UnreadMap is what was not read of a drive: sorted, disjoint ranges, in 17
// bytes each. The zero value is that of a drive of which all was read.
type UnreadMap struct{ list ranges.Map[imap.State] }

// maxDrive bounds the size of a drive, so that all of it fits in maps, and
// places on it add up.
const maxDrive = ranges.MaxOffset

// add puts in a range behind those that are there; neighbours in one state
// are joined.
func (m *UnreadMap) add(start, end int64, s imap.State) {
	m.list.Append(ranges.Range{Start: start, End: end}, s)
}

// Len is how many ranges there are.
func (m *UnreadMap) Len() int { return m.list.Len() }

// At is a range by its number, in order of place.
func (m *UnreadMap) At(i int) imap.Range {
	r, s := m.list.Entry(i)
	return imap.Range{Start: r.Start, Length: r.Len(), State: s}
}

// From is the number of the first range that ends after a place; Len where none
// does.
func (m *UnreadMap) From(at int64) int { return m.list.Find(at) }

// Within yields the unread parts of length bytes from start, in order.
func (m *UnreadMap) Within(start, length int64) iter.Seq[imap.Range] {
	return func(yield func(imap.Range) bool) {
		for r, s := range m.list.Over(start, start+length) {
			if !yield(imap.Range{Start: r.Start, Length: r.Len(), State: s}) {
				return
			}
		}
	}
}

// All yields all ranges, in order.
func (m *UnreadMap) All() iter.Seq[imap.Range] { return m.Within(0, maxDrive) }

// IsRead reports whether all of length bytes from start was read.
func (m *UnreadMap) IsRead(start, length int64) bool {
	_, unread, end := m.list.At(start)
	return length <= 0 || !unread && end >= start+length
}

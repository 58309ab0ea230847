package fat

import "slices"

// longName gathers the slots of a long name, which come last part first, until
// the entry that they belong to.
type longName struct {
	units  [maxLongSlots * longUnits]uint16
	parts  int  // the number of parts; 0 where there is none in the making
	next   int  // order of the part that must come next; 0 when all came
	sum    byte // of the entry
	at     int64
	broken bool // parts came that belong to no name that began, or in no order
	cut    bool // a part of it was not read
	stray  int64
}

func (l *longName) reset() { l.parts, l.next, l.broken, l.cut = 0, 0, false, false }

// drop is reset where the entry of the name did not come: slots that are in use and
// belong to none are what is left of a file, so they count in stray.
func (l *longName) drop() {
	if (l.parts > 0 || l.broken) && !l.cut {
		l.stray++
	}
	l.reset()
}

// add takes a slot at an image offset. afterGap says that the slots before it
// were not read.
func (l *longName) add(s longSlot, ok bool, at int64, afterGap bool) {
	switch {
	case !ok:
		l.drop()
		l.broken = true
		return
	case s.Last:
		l.drop()
		l.parts, l.next, l.sum = int(s.Order), int(s.Order), s.Sum
	case l.parts == 0 && (afterGap || l.cut):
		l.cut = true // a name whose beginning, that is its end, was not read
		return
	case l.parts == 0 || int(s.Order) != l.next || s.Sum != l.sum:
		l.drop()
		l.broken = true
		return
	}
	copy(l.units[(l.next-1)*longUnits:], s.Units[:])
	l.next--
	l.at = at
}

// names reports whether a slot is the entry of the name.
func (l *longName) names(b []byte) bool {
	e := parseShort(b)
	return b[0] != slotEnd && b[0] != slotDeleted && !isLong(b) && checksum(&e.Name) == l.sum
}

// whole returns the name's units if all parts came; nil where not. Overview:
// a name ends with 0 unless it fills its last part, and the rest is FFFF.
func (l *longName) whole() []uint16 {
	if l.parts == 0 || l.next != 0 {
		return nil
	}
	n := l.parts * longUnits
	if i := slices.Index(l.units[n-longUnits:n], 0); i >= 0 {
		n += i - longUnits
	}
	name := l.units[:n]
	if n == 0 || n > 255 || slices.Contains(name, 0) || slices.Contains(name, 0xFFFF) {
		return nil
	}
	return name
}

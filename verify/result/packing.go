package result

import (
	"errors"

	"fileassay/extract/imap"
)

var errUnits = errors.New("has compression units that its extents do not bear out; make it again with verify")

// Unpacks is how many bytes of content of a file of size bytes are told for:
// those of its units, its stored bytes that are in no unit, which are plain, and
// those past the valid ones, which read as zeros. ok is false where the units have
// more stored bytes than there are.
func (p *Packing) Unpacks(stored, size int64) (n int64, ok bool) {
	if p.Valid > 0 && p.Valid < size {
		n = size - p.Valid
	}
	for _, run := range p.Units {
		for _, k := range run[min(1, len(run)):] {
			if k <= 0 || k > stored || p.Unit <= 0 || p.Unit > mostBytes {
				return 0, false
			}
			stored -= k
			if n += min(p.Unit, size); n > mostBytes {
				n = mostBytes // and whatever follows
			}
		}
	}
	return min(n+stored, mostBytes), true
}

// byPlace reports whether stored bytes of units are told by where their content
// stands.
func (f *File) byPlace() bool {
	return f.Packing.Method == "lznt1" && len(f.Packing.Units) > 0 && len(f.Patched) == 0 && f.Size != nil
}

// checkUnits holds the units of a file to its size and its extents: each has its
// place in the content, and its stored bytes once.
func (f *File) checkUnits() error {
	p, size := &f.Packing, *f.Size
	if p.Unit <= 0 || p.Unit > mostBytes || size > mostBytes || p.Valid < 0 || p.Valid > size {
		return errUnits
	}
	valid := size
	if p.Valid > 0 {
		valid = p.Valid
	}
	extents := f.Extents
	held := func(from, to int64) (n int64) { // stored bytes there; places are asked in order
		for _, e := range extents {
			if e[0] >= to {
				break
			}
			n += max(0, min(e[0]+e[2], to)-max(e[0], from))
		}
		for len(extents) > 0 && extents[0][0]+extents[0][2] <= to {
			extents = extents[1:]
		}
		return n
	}
	next := int64(0)
	for _, run := range p.Units {
		if len(run) < 2 || run[0] < next || run[0] >= valid {
			return errUnits
		}
		at := run[0]
		for _, stored := range run[1:] {
			if stored <= 0 || at >= valid || f.byPlace() && held(at, at+p.Unit) != stored {
				return errUnits
			}
			at += p.Unit
		}
		next = at
	}
	if n := len(f.Extents); n > 0 && f.byPlace() {
		// a stored byte past the end belongs to the last unit
		if e := f.Extents[n-1]; e[0]+e[2] > max(size, next) {
			return errUnits
		}
	}
	return nil
}

// unitsAgainst holds a file, whose units are told by place, to what was not read:
// of a unit that has an unread byte all content is damaged, of the rest none is.
func (f *File) unitsAgainst(m *UnreadMap, drive int64) error {
	at, run, k := int64(0), 0, 0 // the unit in hand: unit k of a run begins at at
	units := f.Packing.Units
	// unitOf is the unit that holds a place of the content, which are asked in order
	unitOf := func(off int64) (start, end int64, ok bool) {
		for run < len(units) {
			at = units[run][0] + int64(k)*f.Packing.Unit
			switch {
			case off < at:
				return 0, 0, false
			case off < at+f.Packing.Unit:
				return at, min(at+f.Packing.Unit, *f.Size), true
			}
			if k++; k == len(units[run])-1 {
				run, k = run+1, 0
			}
		}
		return 0, 0, false
	}
	has, all := damageWalk{list: f.Damage}, damageWalk{list: f.Damage}
	var due int64 // bytes of damage that what is unread makes
	told := int64(0)
	last := int64(-1) // the unit that was counted last
	for _, e := range f.Extents {
		for u := range m.over(e[1], e[2], drive) {
			for pos := u.Start; pos < u.End(); {
				off := e[0] + pos - e[1]
				start, end, packed := unitOf(off)
				n := u.End() - pos
				if packed {
					n = min(n, start+f.Packing.Unit-off)
					if start != last {
						last = start
						due += end - start
						if d, ok := all.within(start, end-start); !ok || d != end-start {
							return errUnread
						}
						if d := &all.list[all.i]; d.Offset == start && d.Image != pos {
							return errUnread // it names the first unread byte
						}
					}
				} else {
					if run < len(units) {
						n = min(n, at-off)
					}
					due += n
					if !has.has(off, imap.Range{Start: pos, Length: n, State: u.State}) {
						return errUnread
					}
				}
				pos += n
			}
		}
	}
	for _, d := range f.Damage {
		if d.Image >= 0 {
			told += d.Length
		}
	}
	if told != due {
		return errReadOnly
	}
	return nil
}

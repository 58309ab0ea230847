package result

import (
	"fmt"

	"fileassay/extract/imap"
	"fileassay/extract/ranges"
)

// borne holds the unread places to the files: what is said to hold content of
// listed files must lie in the extents of one. So no file with content there
// can be left out, or be made to lie elsewhere.
type borne struct {
	m    *UnreadMap
	due  parts // that places say they hold content of files
	have parts // that files say their content lies in

	open  []imap.Range // of due, those in the last range of m
	bytes int64        // of open
}

// parts are parts of the ranges of an unread map. Most are whole, and a drive
// may have millions: those are a bit each.
type parts struct {
	whole  []uint64
	pieces ranges.Set
}

func (p *parts) setWhole(i int) {
	for len(p.whole) <= i/64 {
		p.whole = append(p.whole, 0)
	}
	p.whole[i/64] |= 1 << (i % 64)
}

func (p *parts) isWhole(i int) bool {
	return i/64 < len(p.whole) && p.whole[i/64]&(1<<(i%64)) != 0
}

// holds reports whether all of a part of range i is there.
func (p *parts) holds(i int, u imap.Range) bool {
	return p.isWhole(i) || p.pieces.Covered(u.Start, u.Length) == u.Length
}

// place takes a place that was added to the map just now; fresh is set where it
// began a range of it.
func (b *borne) place(p *Place, fresh bool) {
	if fresh {
		b.shut(b.m.Len() - 2)
	}
	if p.Most() == HoldsFiles {
		b.open = append(b.open, imap.Range{Start: p.Start, Length: p.Length})
		b.bytes += p.Length
	}
}

// shut settles what is due of the range of a number, to which no more is added.
func (b *borne) shut(i int) {
	switch {
	case b.bytes == 0:
		return
	case b.bytes == b.m.At(i).Length:
		b.due.setWhole(i)
	default:
		for _, u := range b.open {
			b.due.pieces.Add(u.Start, u.Length)
		}
	}
	b.open, b.bytes = b.open[:0], 0
}

// file takes what of a file's content was not read.
func (b *borne) file(f *File) {
	if len(f.Damage) == 0 {
		return
	}
	for _, list := range [...][][3]int64{f.Extents, f.Patched} {
		for _, e := range list {
			for u := range b.m.Within(e[1], e[2]) {
				if i := b.m.From(u.Start); b.m.At(i).Length == u.Length {
					b.have.setWhole(i)
				} else {
					b.have.pieces.Add(u.Start, u.Length)
				}
			}
		}
	}
}

// check reports whether all that is due is there. All places and files were
// taken before.
func (b *borne) check() error {
	b.shut(b.m.Len() - 1)
	fault := func(u imap.Range) error {
		return fmt.Errorf("%d unread bytes at offset %d hold content of listed files, and no file of the list lies there; make it again with verify", u.Length, u.Start)
	}
	for i := range b.m.Len() {
		if u := b.m.At(i); b.due.isWhole(i) && !b.have.holds(i, u) {
			return fault(u)
		}
	}
	for s := range b.due.pieces.All() {
		for u := range b.m.Within(s.Start, s.End-s.Start) {
			if !b.have.holds(b.m.From(u.Start), u) {
				return fault(u)
			}
		}
	}
	return nil
}

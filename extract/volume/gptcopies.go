package volume

import (
	"cmp"
	"fmt"
	"slices"

	"fileassay/extract/partial"
)

// gptSlot is what one copy of the table says under a number: the entry in use,
// or one of a zero type where there is none.
type gptSlot struct {
	gptEntry
	known bool // it was read, and could be a table's
}

// placed reports whether the slot names a place.
func (s *gptSlot) placed() bool { return s.known && s.used() && s.First <= s.Last }

// slots are the entries of an array by their numbers. Of one that no checksum
// proves, those that no table would hold count as unread, and so do all of them
// where none in use is left: zeros may be a table or what was wiped.
func (g *gptReader) slots(array partial.Bytes, shape *gptHeader, proved bool) []gptSlot {
	size := int(max(shape.EntrySize, gptEntrySize))
	out := make([]gptSlot, array.Len()/size)
	named := proved
	for i := range out {
		b, ok := array.Get(i*size, gptEntrySize)
		if !ok {
			continue
		}
		e, _ := parseGPTEntry(b)
		if proved || !e.used() || e.plausible(g.r.DriveSize()/g.unit) {
			out[i] = gptSlot{e, true}
			named = named || e.used()
		}
	}
	if !named {
		clear(out)
	}
	return out
}

// gptPlaces are the places that entries name, by their first sectors.
type gptPlaces struct {
	list  []gptPlace
	reach []int // of each, which of it and those before reaches farthest
}

type gptPlace struct {
	first, last uint64
	number      int // from 1
}

func placesOf(slots []gptSlot) gptPlaces {
	var x gptPlaces
	for i := range slots {
		if s := &slots[i]; s.placed() {
			x.list = append(x.list, gptPlace{s.First, s.Last, i + 1})
		}
	}
	slices.SortStableFunc(x.list, gptPlace.compare)
	for i := range x.list {
		far := i
		if i > 0 && x.list[x.reach[i-1]].last > x.list[i].last {
			far = x.reach[i-1]
		}
		x.reach = append(x.reach, far)
	}
	return x
}

func (a gptPlace) compare(b gptPlace) int {
	return cmp.Or(cmp.Compare(a.first, b.first), cmp.Compare(a.last, b.last))
}

// has reports whether an entry names the very place of another.
func (x *gptPlaces) has(s *gptSlot) bool {
	_, ok := slices.BinarySearchFunc(x.list, gptPlace{first: s.First, last: s.Last}, gptPlace.compare)
	return ok
}

// over is a place that has a sector with that of another entry in common.
func (x *gptPlaces) over(s *gptSlot) (p gptPlace, ok bool) {
	n, _ := slices.BinarySearchFunc(x.list, s.Last, func(p gptPlace, last uint64) int {
		if p.first <= last {
			return -1
		}
		return 1
	})
	if n == 0 {
		return p, false
	}
	p = x.list[x.reach[n-1]]
	return p, p.last >= s.First
}

// followed are the entries that make the partitions, held against those of the
// other copies: the primary's, which drivers follow, as far as it was read, and
// a backup's in place of what was not.
type followed struct {
	g      *gptReader
	slots  []gptSlot
	doubts map[int]string // by index, why an entry is not proved
	rivals []gptRival
	differ bool // the copies disagree
	own    bool // the primary has entries in use
	lent   bool // and the backup
	left   int  // rivals that are not held any more
}

// gptRival is an entry that only a copy names that is not followed.
type gptRival struct {
	gptEntry
	number int
	doubt  string
}

// hold holds the entries against each backup. proved is set where the array was
// proved to be the one that drivers follow.
func (f *followed) hold(array partial.Bytes, proved bool) {
	p := &f.g.primary
	f.doubts = map[int]string{}
	for i := range f.g.backups {
		b := &f.g.backups[i]
		if p.good && b.good && !p.h.sameTable(&b.h) {
			f.differ = true
		}
		if proved && b.good && b.h.vouches(array) {
			continue
		}
		f.against(f.g.slots(b.array, &b.shape, b.good && b.arrayGood), b, proved)
	}
}

// against holds the entries against those of one backup. Entries that name one
// place in both stand. What differs is doubted, and what only the backup has
// is a rival, unless the primary's entry of that number was not read.
func (f *followed) against(theirs []gptSlot, b *gptCopy, proved bool) {
	name := fmt.Sprintf("the backup GPT in sector %d", b.place/f.g.unit)
	if !b.good {
		name = fmt.Sprintf("the backup entries in sector %d", b.arrayPlace/f.g.unit)
	}
	p := &f.g.primary
	other := p.good && b.good && !p.h.sameArray(&b.h) // whatever was read of the arrays, they are not alike
	in, ours := placesOf(theirs), placesOf(f.slots)
	for i := range f.slots {
		s := &f.slots[i]
		if !s.placed() || in.has(s) {
			continue
		}
		over, crossed := in.over(s)
		read := i < len(theirs) && theirs[i].known
		switch {
		case crossed:
			f.doubt(i, fmt.Sprintf("%s has entry %d at sectors %d to %d instead", name, over.number, over.first, over.last))
		case read && theirs[i].placed():
			f.doubt(i, fmt.Sprintf("%s has it at sectors %d to %d", name, theirs[i].First, theirs[i].Last))
		case read:
			f.doubt(i, name+" has no such entry")
		case other:
			f.doubt(i, name+" vouches for other entries, and what it has under this number was not read")
		}
	}
	var lent []int
	for i := range theirs {
		s := &theirs[i]
		free := !proved && (i >= len(f.slots) || !f.slots[i].known)
		_, crossed := ours.over(s)
		switch {
		case s.placed() && ours.has(s):
		case free && !(s.placed() && crossed):
			lent = append(lent, i)
		case !s.placed():
		case len(f.rivals) == maxPartitions:
			f.left++
		default:
			f.differ = true
			f.rivals = append(f.rivals, gptRival{s.gptEntry, i + 1, "only " + name + " names it, and what was read of the primary does not"})
		}
	}
	for _, i := range lent {
		if i >= len(f.slots) {
			f.slots = append(f.slots, make([]gptSlot, i+1-len(f.slots))...)
		}
		if f.slots[i] = theirs[i]; !theirs[i].known || !theirs[i].used() {
			continue
		}
		f.lent = true
		if f.differ || other {
			f.doubt(i, "it is "+name+"'s, which disagrees with the primary, and the primary's own was not read")
		}
	}
}

func (f *followed) doubt(i int, why string) {
	f.differ = true
	if f.doubts[i] == "" {
		f.doubts[i] = why
	}
}

// used reports whether an entry is in use.
func (f *followed) used() bool {
	return slices.ContainsFunc(f.slots, func(s gptSlot) bool { return s.known && s.used() })
}

// unknown is how many entries are known from no copy.
func (f *followed) unknown() (n int) {
	for i := range f.slots {
		if !f.slots[i].known {
			n++
		}
	}
	return n
}

// whose names the copy that the entries are from, "" where there are none.
func (f *followed) whose() string {
	switch {
	case f.own && f.lent:
		return mergedCopies
	case f.own:
		return f.g.primary.name
	case f.lent:
		return f.g.backups[0].name
	}
	return ""
}

// partitions are the entries as partitions, and the rivals.
func (f *followed) partitions() (list, rivals []Partition) {
	for i := range f.slots {
		if s := &f.slots[i]; s.known && s.used() {
			p := gptPartition(&s.gptEntry, i+1, f.g.unit)
			p.Doubt = f.doubts[i]
			list = append(list, p)
		}
	}
	for i := range f.rivals {
		r := &f.rivals[i]
		p := gptPartition(&r.gptEntry, r.number, f.g.unit)
		p.Doubt = r.doubt
		rivals = append(rivals, p)
	}
	return list, rivals
}

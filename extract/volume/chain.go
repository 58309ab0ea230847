package volume

import (
	"cmp"
	"fmt"
	"slices"

	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// maxLogical bounds the logical drives of one extended partition; a chain of
// distinct records longer than that is no chain that anyone made.
const maxLogical = 1024

// chain follows the extended boot records of one container. A record's entry
// for a logical drive counts from the record itself, its link from the start
// of the container (common practice, no source).
type chain struct {
	t         *table
	container Partition
	number    int            // of the next logical drive
	seen      map[int64]bool // places of records
	known     ranges.Set     // what records and their drives account for
	found     int            // logical drives
	broken    bool           // what the records do not account for may hold drives
	aside     []int64        // second links, which drivers do not follow
	seconds   int            // how many of them there were
	drives    []ranges.Range // of the links that drivers follow
}

// follow takes the drives of the chain that drivers follow, then those of
// second links. What a chain that does not end as it should leaves unaccounted
// becomes dark.
func (c *chain) follow(r *image.Reader) {
	c.seen = map[int64]bool{}
	for at := c.container.Start; at >= 0; {
		at = c.step(r, at, false)
	}
	for len(c.aside) > 0 {
		at := c.aside[0]
		c.aside = c.aside[1:]
		for at >= 0 {
			at = c.step(r, at, true)
		}
	}
	if !c.broken {
		return
	}
	if c.seconds > 1 {
		c.t.note("the chain has %d second links, that one among them", c.seconds)
	}
	whole := ranges.Range{Start: c.container.Start, End: max(c.container.End(), c.container.Start)}
	c.t.dark = append(c.t.dark, without(whole, &c.known)...)
}

// step takes the record at a place and returns the place of the next, -1 at
// the end of the chain. aside is set on the way of a second link.
func (c *chain) step(r *image.Reader, at int64, aside bool) (next int64) {
	sector := at / c.t.unit
	switch {
	case c.seen[at] && aside:
		return -1
	case c.seen[at]:
		c.cut("the chain of logical drives returns to sector %d, where it was before; it ends after %s", sector, c.count())
		return -1
	case c.found >= maxLogical || len(c.seen) >= 2*maxLogical:
		c.cut("the chain of logical drives goes on after %s at sector %d and is followed no further", c.count(), sector)
		c.aside = nil
		return -1
	}
	c.seen[at] = true
	b := readBootSector(r, fmt.Sprintf("extended boot record %d", len(c.seen)), at)
	if aside && !c.sound(&b, at) {
		c.t.note("the second link to sector %d leads to no record of logical drives and is left aside", sector)
		return -1
	}
	c.t.structures = append(c.t.structures, b.structure)
	if !b.ok {
		c.cut("%s found, chain unreadable at sector %d: %s", c.count(), sector, cmp.Or(b.structure.Note, "this sector was not read"))
		return -1
	}
	c.known.Add(at, bootRecordSize)
	next = c.record(&b.rec, at, aside)
	if next >= 0 && !c.inside(next) || next >= r.DriveSize() {
		c.cut("the chain of logical drives points from sector %d to sector %d, outside its extended partition; it ends after %s", sector, next/c.t.unit, c.count())
		return -1
	}
	return next
}

func (c *chain) inside(at int64) bool {
	return at >= c.container.Start && at < c.container.End()
}

// cut says why the chain does not end as it should.
func (c *chain) cut(format string, args ...any) {
	c.broken, c.t.broken = true, true
	c.t.note(format, args...)
}

// count says how many drives were found.
func (c *chain) count() string {
	if c.found == 1 {
		return "1 logical drive"
	}
	return fmt.Sprintf("%d logical drives", c.found)
}

// sound reports whether a record that drivers do not come to could be one: it
// names a drive in the container, and nothing that no table would hold.
func (c *chain) sound(b *bootSector, at int64) bool {
	named := false
	for _, e := range b.rec.Entries {
		switch {
		case !e.used():
		case e.Status&0x7F != 0 || e.Sectors == 0:
			return false
		case e.extended():
			if !c.inside(c.container.Start + int64(e.Start)*c.t.unit) {
				return false
			}
		default:
			p := e.partition(0, at, c.t.unit)
			if e.Start == 0 || p.End() > c.container.End() {
				return false
			}
			named = true
		}
	}
	return b.ok && named
}

// record takes one extended boot record at the given place: it adds its
// logical drives and returns the place of the next record, -1 at the end of
// the chain.
func (c *chain) record(rec *bootRecord, at int64, aside bool) (next int64) {
	next = -1
	used := false
	sector := at / c.t.unit
	for i, e := range rec.Entries {
		if !e.used() {
			continue
		}
		used = true
		if e.Sectors == 0 {
			c.cut("entry %d of the extended boot record at sector %d has no length and is left aside", i+1, sector)
			continue
		}
		if e.extended() {
			to := c.container.Start + int64(e.Start)*c.t.unit
			switch {
			case next < 0:
				next = to
			case !c.inside(to):
				c.cut("the extended boot record at sector %d links to two further records; the second, sector %d, lies outside its extended partition", sector, to/c.t.unit)
			default:
				if c.broken, c.seconds = true, c.seconds+1; c.seconds == 1 {
					c.t.note("the extended boot record at sector %d links to two further records; drivers follow the first; the second is in sector %d", sector, to/c.t.unit)
				}
				c.aside = append(c.aside, to)
			}
			continue
		}
		p := e.partition(c.number, at, c.t.unit)
		if i >= 2 && (p.Start < c.container.Start || p.End() > c.container.End()) {
			continue // the last two entries mean nothing, and some writers leave old ones there
		}
		p.Logical = true
		if e.Status&0x7F != 0 {
			p.Problem = fmt.Sprintf("its status byte 0x%02X is none that a table holds", e.Status)
			c.broken = true
		} else if p.End() > c.container.End() {
			p.Problem = fmt.Sprintf("reaches to offset %d, past the end of its extended partition at %d", c.t.base+p.End(), c.t.base+c.container.End())
			c.broken = true
		}
		c.add(p, aside)
	}
	if free := without(ranges.Range{Start: c.container.Start, End: c.container.End()}, &c.known); !used && len(free) > 0 {
		// as programs make it that add drives later
		c.broken, c.t.hollow = true, true
		c.t.note("the extended boot record at sector %d has no entries, though its extended partition has room: the chain ends after %s", sector, c.count())
	}
	return next
}

// add takes a logical drive. One of a second link is a rival where it lies over
// one of the links that drivers follow.
func (c *chain) add(p Partition, aside bool) {
	c.number++
	c.found++
	place := ranges.Range{Start: p.Start, End: p.End()}
	over := func(d ranges.Range) bool { return d.Start < place.End && place.Start < d.End }
	switch {
	case !aside:
		c.drives = append(c.drives, place)
	case slices.ContainsFunc(c.drives, over):
		p.Doubt = "a second link of the chain of logical drives leads to it, and drives of the first lie over it"
		c.t.rivals = append(c.t.rivals, p)
		return
	}
	c.known.Add(p.Start, p.Length)
	c.t.partitions = append(c.t.partitions, p)
}

package volume

import (
	"fmt"

	"fileassay/extract"
)

// report says in structures and notes what was found of each copy and what
// was used. UEFI 5.3.2: what is taken from a backup must be reported.
func (g *gptReader) report(t *table, f *followed, whose string, proved bool) {
	p, b := &g.primary, &g.backups[0]
	for _, c := range []*gptCopy{p, b} {
		header, array := c.headerStructure(g.unit), c.arrayStructure(p.good || b.good)
		if f.differ && c == b {
			for _, s := range []*extract.Structure{&header, &array} {
				if s.Health == extract.HealthRead {
					s.Health, s.Note = extract.HealthDisagrees, "differs from the primary"
				}
			}
		}
		t.structures = append(t.structures, header, array)
	}
	if g.unit != g.r.Sector() {
		t.note("the GPT counts in sectors of %d bytes; the image was opened with %d", g.unit, g.r.Sector())
	}
	if !p.good {
		switch {
		case b.good:
			t.note("GPT primary header in sector 1: %s; the backup header in sector %d is used", p.fault, b.place/g.unit)
		default:
			t.note("GPT primary header in sector 1: %s", p.fault)
		}
	}
	switch {
	case b.good:
	case b.found:
		t.note("GPT backup header in sector %d: %s", b.place/g.unit, b.fault)
	default:
		t.note("no usable GPT backup header: that in sector %d could not be used: %s", b.place/g.unit, b.fault)
	}
	if p.good && b.good && p.h.AlternateLBA != b.h.MyLBA {
		t.note("the GPT primary header places its backup in sector %d, it stands in sector %d", p.h.AlternateLBA, b.h.MyLBA)
	}
	for _, c := range g.backups[1:] {
		t.note("another backup of a GPT stands in sector %d and says other things", c.place/g.unit)
	}
	switch {
	case whose == "":
		t.note("no GPT entries could be used; volumes are searched for by their own structures")
	case proved:
		g.reportProved(t, whose)
	case whose == b.name && b.good && b.arrayGood:
		t.note("the GPT backup entries at sector %d are used; nothing that was read of the primary shows that they are current: volumes are searched for outside them too", b.arrayPlace/g.unit)
	default:
		t.note("no header vouches for the GPT entries that are used (%s entries): partitions may be wrong or missing", whose)
	}
	if n := f.unknown(); n > 0 && whose != "" {
		t.note("%d GPT entries were read in no copy, or make no sense: as many partitions may be missing", n)
	}
	if f.differ && whose != "" {
		t.note("the copies of the GPT disagree; the %s entries are followed, what another copy says otherwise is not proved, and volumes are searched for outside them too", whose)
	}
	if f.left > 0 {
		t.note("%d more entries that only a backup GPT names are left aside", f.left)
	}
}

// reportProved says from which copy the entries are that the primary proves.
func (g *gptReader) reportProved(t *table, whose string) {
	p, b := &g.primary, &g.backups[0]
	switch {
	case whose == mergedCopies:
		t.note("the GPT entries were put together from both copies and match their checksum")
	case whose == b.name:
		t.note("the GPT primary entries %s; the backup entries at sector %d are used", p.arrayFault(), b.arrayPlace/g.unit)
	case !p.good:
		t.note("the GPT primary entries at sector %d match the backup header and are used", p.arrayPlace/g.unit)
	}
}

func (c *gptCopy) arrayFault() string {
	switch {
	case c.arrayPlace < 0:
		return "have no known place"
	case !c.array.Whole():
		return fmt.Sprintf("were not read in %d bytes", total(c.array.Unread))
	}
	return "fail their checksum"
}

func (c *gptCopy) headerStructure(unit int64) extract.Structure {
	s := extract.Structure{Name: "GPT " + c.name + " header", Image: c.place, Length: unit, Unread: c.unread, Health: extract.HealthRead}
	switch {
	case c.place < 0:
		s.Health, s.Length = extract.HealthUnread, 0
	case c.good && c.unread > 0:
		s.Health = extract.HealthPartly
	case c.unread > 0:
		s.Health = extract.HealthUnread
	case !c.good:
		s.Health, s.Note = extract.HealthDamaged, c.fault
	}
	return s
}

// arrayStructure is the health of the array; headed is set where some header
// vouches for an array.
func (c *gptCopy) arrayStructure(headed bool) extract.Structure {
	s := extract.Structure{Name: "GPT " + c.name + " entries", Image: c.arrayPlace, Length: int64(c.array.Len()), Unread: total(c.array.Unread), Health: extract.HealthRead}
	switch {
	case c.arrayPlace < 0 || s.Unread == s.Length:
		s.Health = extract.HealthUnread
	case s.Unread > 0:
		s.Health = extract.HealthPartly
	case !c.arrayGood && headed:
		s.Health, s.Note = extract.HealthDamaged, "fails its checksum"
	case !c.arrayGood:
		s.Health, s.Note = extract.HealthDamaged, "no readable header vouches for it"
	}
	return s
}

package reread

import (
	"fileassay/verify/result"
	"slices"
)

// oneGo is about drives of which so little is unread that to read structures, to
// verify, and to come back for what they lead to takes longer than to read all of
// it by place at once.
type oneGo struct {
	little bool
	taken  bool // structures lead to more, so that the plan reads all in one go

	placeless []placeless
}

// placeless is unread content of a file whose folder is not known, and which as
// such is not wanted.
type placeless struct {
	volume  int
	extents [][3]int64
}

// littleSeeks is how many times as long as a seek all that is unread may take
// for it to be little: the tests' images, which are small, are read in some four
// to ten goes where structures lead to files. A figure of experience.
const littleSeeks = 20

// little reports whether all that is unread is read in a time in which a plan
// that comes back for what structures lead to would do little but seek.
func little(m *result.UnreadMap, c *Costs, sector int64) bool {
	most, sum := littleSeeks*c.Seek.Microseconds(), int64(0)
	last := int64(-1)
	for u := range m.All() {
		way := c.Seek.Microseconds()
		if last >= 0 {
			if gap := (u.Start - last) / sector; gap <= c.Gap {
				way = min(way, c.pass(gap))
			}
		}
		last = u.End()
		if sum += way + capped(u.Length/sector, c.perSector(u.State)); sum > most {
			return false
		}
	}
	return true
}

// keep remembers a file that may turn out to be a wanted one.
func (g *oneGo) keep(f *result.File) {
	if g.little && f.Kind != "folder" && f.Verdict != result.Intact && f.Adrift() && len(f.Extents) > 0 {
		g.placeless = append(g.placeless, placeless{f.Volume, slices.Clone(f.Extents)})
	}
}

// along adds what structures may turn out to lead to that is read in the same
// go: content of which nobody knows whose it is, that of files whose folder is
// not known, and the volume's other structures, on which one that is read may
// lead to the next.
func (b *builder) along() error {
	g := &b.goes
	g.taken = g.little && slices.ContainsFunc(b.items, func(it item) bool { return it.leads() })
	if !g.taken {
		return nil
	}
	leading := map[int32]bool{} // volumes
	for _, it := range b.items {
		if it.leads() {
			leading[it.volume] = true
		}
	}
	add := func(it item, start, length int64) {
		won := b.list.Leads(int(it.volume), "") * unknownShare * float64(length) / (1 << 20)
		b.need(start, length)
		b.close(it, won, won)
	}
	for p, err := range b.r.Places() {
		if err != nil {
			return err
		}
		for _, h := range p.In {
			it := item{sort: unknown, volume: int32(h.Volume)}
			switch {
			case h.Holds == result.HoldsStructures && leading[int32(h.Volume)]:
				it.sort, it.path = copies, b.structure(h.Name)
			case h.Holds != result.HoldsUnknown:
				continue
			}
			add(it, p.Start, p.Length)
		}
	}
	for _, p := range g.placeless {
		for _, e := range p.extents {
			add(item{sort: unknown, volume: int32(p.volume)}, e[1], e[2])
		}
	}
	return nil
}

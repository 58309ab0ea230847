package volume

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// tenant is a volume that something on the drive speaks for: an entry of a
// table, its own structures, or both. More than one may claim a range.
type tenant struct {
	Volume
	by    claim // that a search found it by
	named bool  // the table that is followed names it
}

// listed reports whether a reader lists the tenant's files.
func (t *tenant) listed() bool { return t.Reason == "" }

// is reports whether the tenant may be the volume that a claim speaks for.
func (t *tenant) is(c *claim) bool {
	return (c.ID == "" || c.ID == t.id || c.ID == t.by.ID || t.id == "" && t.by.ID == "") && (t.own == 0 || t.own == c.Length)
}

// reach is where a volume in one piece ends by its own structures.
func (t *tenant) reach() int64 {
	if t.own > 0 {
		return t.Start + t.own
	}
	return t.End()
}

// spans are where the volume lies by its own structures.
func (t *tenant) spans() []ranges.Range { return t.placesOf(t.reach()) }

// covers reports whether [start, end) lies in one piece of the tenant.
func (t *tenant) covers(start, end int64) bool {
	if t.Pieces == nil {
		return t.Start <= start && end <= t.reach()
	}
	return slices.ContainsFunc(t.spans(), func(s ranges.Range) bool { return s.Start <= start && end <= s.End })
}

// overlaps reports whether two tenants claim one byte.
func (t *tenant) overlaps(o *tenant) bool {
	if t.Pieces == nil && o.Pieces == nil {
		return t.Start < o.reach() && o.Start < t.reach()
	}
	list := t.spans()
	return slices.ContainsFunc(o.spans(), func(s ranges.Range) bool { return ranges.Touches(list, s.Start, s.End) })
}

// holds reports whether o lies in t and does not begin with it.
func (t *tenant) holds(o *tenant) bool {
	if t.Pieces == nil && t.Start > o.Start {
		return false
	}
	return t.Start != o.Start && !slices.ContainsFunc(o.spans(), func(s ranges.Range) bool { return !t.covers(s.Start, s.End) })
}

// copyOf reports whether a structure that stands in a piece of the tenant speaks
// for the tenant itself: it is as far from the start of what the pieces make up as
// it says.
func (t *tenant) copyOf(c *claim) bool {
	for _, p := range t.Pieces {
		if p.Image <= c.At && c.At < p.Image+p.Length {
			return p.Offset+c.At-p.Image == c.At-c.Start
		}
	}
	return t.Pieces == nil && t.Start == c.Start
}

// settler decides which of the tenants are listed, and whom they leave in doubt.
type settler struct {
	*places
	l *Layout
}

// settle takes the likeliest of the tenants of every range. A tenant inside a
// file of another is content and no volume; one that structures which were read
// refute is old. Of all others that claim the same range nothing is proved. It
// returns those that are listed. claims are those to volumes inside the tenants,
// which were not opened, traces what speaks for volumes that are not found.
func (s *settler) settle(ctx context.Context, all []tenant, claims []claim, traces []trace) ([]tenant, error) {
	asked := s.traced(all, traces)
	all, err := s.withoutContent(ctx, all, claims, asked)
	if err != nil {
		return nil, err
	}
	s.shadow(all, asked)
	weak := s.weaker(all)
	slices.SortStableFunc(all, func(a, b tenant) int {
		return cmp.Or(order(weak[a.place()], weak[b.place()]), cmp.Compare(b.rests, a.rests), order(b.named, a.named),
			cmp.Compare(b.Length, a.Length), cmp.Compare(a.Start, b.Start))
	})
	var out, left []tenant
	for i := range all {
		t := &all[i]
		var rivals []*tenant
		old := false
		for j := range out {
			o := &out[j]
			switch {
			case !t.overlaps(o) || o.named != t.named && !(o.listed() && t.listed()):
			case s.refutes(o, t):
				old = true
			default:
				rivals = append(rivals, o)
			}
		}
		for j := range left {
			if o := &left[j]; t.overlaps(o) && t.listed() && !s.refutes(t, o) {
				s.doubt(t, o)
			}
		}
		together := t.named && !slices.ContainsFunc(rivals, func(o *tenant) bool { return !o.named })
		switch {
		case len(rivals) == 0 && old:
			s.l.note("copies of the structures of an old %s are left aside: another volume stands where it would begin", t.name(s.r))
		case len(rivals) == 0 || together:
			for _, o := range rivals {
				s.doubt(o, t)
				s.doubt(t, o)
			}
			out = append(out, *t)
		default:
			for _, o := range rivals {
				s.doubt(o, t)
			}
			left = append(left, *t)
			s.l.missing("a volume (%s) of %d bytes at offset %d is not listed: it claims the place of the %s; --volume-at %d --filesystem %s lists it",
				t.Filesystem, t.reach()-t.Start, s.r.Origin(t.Start), rivals[0].name(s.r), s.r.Origin(t.Start), t.Filesystem)
		}
	}
	return out, nil
}

// place tells a tenant from others.
func (t *tenant) place() attempt {
	return attempt{family: t.Filesystem, start: t.Start, length: t.Length}
}

// nearStart is how far into a drive or volume its first partition begins.
const nearStart = 4 << 20

// weaker tells which tenants are the less likely ones of those that claim the
// same place. One that several others claim parts of, each for itself, was there
// before them. So was one without its primary structure that another begins a
// little behind, as a first partition does. Else what lies inside is a remainder
// in free space.
func (s *settler) weaker(all []tenant) map[attempt]bool {
	out := map[attempt]bool{}
	for i := range all {
		t := &all[i]
		var in []*tenant
		crossing := 0
		past := t.Pieces == nil && t.reach() > s.r.DriveSize()
		for j := range all {
			o := &all[j]
			if past && i != j && o.listed() && t.overlaps(o) && o.reach() <= s.r.DriveSize() {
				out[t.place()] = true // it has no room
			}
			if i == j || o.rests != onPrimary || !t.listed() || !o.listed() || !t.overlaps(o) || o.Start == t.Start {
				continue
			}
			crossing++
			if t.holds(o) {
				in = append(in, o)
			}
		}
		switch {
		case crossing > 1, crossing == 1 && len(in) == 1 && t.rests != onPrimary && in[0].Start < t.Start+nearStart:
			out[t.place()] = true
		case len(in) == 1:
			out[in[0].place()] = true
		}
	}
	return out
}

// order puts false before true.
func order(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}

// name names the tenant for people.
func (t *tenant) name(r *image.Reader) string {
	return fmt.Sprintf("%s volume at offset %d", t.Filesystem, r.Origin(t.Start))
}

// maxDoubts bounds the rivals that are told of one volume.
const maxDoubts = 8

// doubt says of a volume that another claims its place. One that goes past the
// end of its partition does not harm what stands there.
func (s *settler) doubt(t, by *tenant) {
	if by.over > 0 && by.Start+by.own-by.over <= t.Start || len(t.Doubt) >= maxDoubts {
		return
	}
	t.Doubt = append(t.Doubt, fmt.Sprintf("the %s claims the same place: nothing that was read refutes either", by.name(s.r)))
	t.Needs = append(t.Needs, ranges.Range{Start: 0, End: bootRecordSize}) // the table
	if k, ok := kindOf(s.kinds, t.Filesystem); ok {
		t.Needs = append(t.Needs, s.headNeeds(t.Start, k.Name)...)
	}
	if k, ok := kindOf(s.kinds, by.Filesystem); ok {
		t.Needs = append(t.Needs, s.headNeeds(by.Start, k.Name)...)
	}
}

// refutes reports whether t, by its primary structure that was read, shows that
// o, which only copies speak for, is old: both would begin at one place, and
// there o's primary structure was looked for.
func (s *settler) refutes(t, o *tenant) bool {
	if o.rests == onPrimary || t.rests != onPrimary {
		return false
	}
	k, ok := kindOf(s.kinds, o.Filesystem)
	return ok && t.Start == o.Start && s.primaryRead(k.Name, o.Start)
}

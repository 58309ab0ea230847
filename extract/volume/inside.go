package volume

import (
	"cmp"
	"context"
	"slices"

	"fileassay/extract"
	"fileassay/extract/ranges"
)

// inner is a volume that claims a place inside another, its host.
type inner struct {
	family        string
	start, length int64
	at            int64          // of the structure that speaks for it
	copied        bool           // that is a copy
	heads         []ranges.Range // where its primary structure stands
	headRead      bool           // all of that was read
	own           bool           // the structure is the host's by its identity
	id            string         // as [extract.Candidate].ID
	what          string         // of one that only a trace speaks for: what that is
	back          int64          // and how far before it the volume may begin
	common        bool           // content and other structures resemble that: a few rising numbers, as group descriptors are
	others        []int64        // other structures of the volume that it leads to, and
	held          map[hold]uint  // how the host's files hold them: a bit for each, the lowest for what speaks for it
	piece         bool           // what speaks for it lies in a file
	file          uint64         // that, or the one that it is content of

	content bool // it is content of a file of the host
	old     bool // the host's structures lie where its primary structure would
}

// hold is a file that holds a place, and how far that lies in the file from where
// it lies in the image. The image of a volume has one.
type hold struct {
	file uint64
	by   int64
}

// whole reports whether one file holds all that speaks for the volume, as the image
// of one does.
func (q *inner) whole() bool {
	for _, bits := range q.held {
		if bits == 1<<(len(q.others)+1)-1 {
			return true
		}
	}
	return false
}

// maxBorne bounds the traces of which the structures around are asked.
const maxBorne = 64

// traced are the volumes that traces speak for, but for those of tenants: one that
// begins where a tenant does is that one itself, or was there before, if the tenant
// stands by its primary structure.
func (s *settler) traced(all []tenant, traces []trace) (out []inner) {
	borne := map[int64]bool{}
	for n, t := range traces {
		q := inner{family: t.family, at: t.at, start: -1, back: t.back, what: t.from}
		if k, ok := kindNamed(s.kinds, t.family); ok && k.Bears != nil {
			var b extract.Bearing
			if n < maxBorne {
				b = k.Bears(s.r, t.from, t.at)
			}
			known := slices.ContainsFunc(all, func(t tenant) bool {
				return t.Start == b.Start && t.listed() && (t.rests == onPrimary || slices.Contains(k.Filesystems, t.Filesystem))
			})
			inside := slices.ContainsFunc(all, func(o tenant) bool { return o.listed() && o.covers(t.at, t.at+1) })
			if b.Refuted && inside || b.Borne && (known || borne[b.Start]) {
				continue // a remainder in free space, or told of already
			}
			if q.common = !b.Borne || len(b.Places) == 0; b.Borne {
				borne[b.Start] = true
				q.start, q.back = b.Start, t.at-b.Start
			}
			if !q.common {
				q.others, q.held = b.Places, map[hold]uint{}
			}
		}
		out = append(out, q)
	}
	return out
}

// innerOf is the volume that a claim inside a host speaks for; ids are the
// identities that the host goes by. A clone of another length has them too: what
// reads like a primary structure of the host's own length is a copy of its own, as
// in its journal.
func (p *places) innerOf(family string, c *claim, start, length int64, host *tenant, ids []string) inner {
	q := inner{family: family, start: start, length: length, at: c.At, copied: !c.primary(),
		heads: p.headNeeds(start, family), headRead: p.primaryRead(family, start), id: c.ID, own: c.ID != "" && slices.Contains(ids, c.ID)}
	q.own = q.own && (q.copied || length == host.reach()-host.Start)
	return q
}

// identities are what the structures call themselves by which a tenant stands.
func (p *places) identities(family string, t *tenant) []string {
	out := []string{t.by.ID, t.id}
	for _, c := range p.primaries(t.Start) {
		if c.kind.Name == family {
			out = append(out, c.ID)
		}
	}
	return out
}

// maxWalked bounds the volumes that are walked for what lies in them, in sizes of
// the drive: those that overlap may be any number.
const maxWalked = 16

// withoutContent leaves out the tenants that are content of another's file, and
// opens the claims to volumes inside tenants that are not. It says of the traces
// which are content too.
func (s *settler) withoutContent(ctx context.Context, all []tenant, claims []claim, traces []inner) ([]tenant, error) {
	gone := make([]bool, len(all))
	left := claims
	walked := int64(0)
	for h := range all {
		host := &all[h]
		k, ok := kindOf(s.kinds, host.Filesystem)
		if !ok || !host.listed() {
			continue
		}
		ids := s.identities(k.Name, host)
		var asked []inner
		var of []int // the tenant of each, or the claim after all tenants
		for i := range all {
			t := &all[i]
			if tk, ok := kindOf(s.kinds, t.Filesystem); ok && t.listed() && !t.named && i != h && (host.Start < t.Start || host.Pieces != nil) && host.covers(t.by.At, t.by.At+1) {
				asked, of = append(asked, s.innerOf(tk.Name, &t.by, t.Start, t.reach()-t.Start, host, ids)), append(of, i)
			}
		}
		for i := range left {
			c := &left[i]
			if host.covers(c.Start, c.Start+c.Length) {
				asked, of = append(asked, s.innerOf(c.kind.Name, c, c.Start, c.Length, host, ids)), append(of, len(all)+i)
			}
		}
		claimed := len(asked)
		for i, q := range traces {
			if host.covers(q.at, q.at+1) {
				asked, of = append(asked, q), append(of, i)
			}
		}
		if len(asked) == 0 {
			continue
		}
		if walked += host.Length; walked/maxWalked > s.r.DriveSize() {
			s.l.missing("more volumes claim places inside each other than could be looked into: the files of the %s were not asked what is theirs", host.name(s.r))
			break
		}
		if err := s.ask(ctx, k, host, asked); err != nil {
			return nil, err
		}
		contents, dropped := 0, make([]bool, len(left))
		for i, q := range asked[claimed:] {
			traces[of[claimed+i]].content = traces[of[claimed+i]].content || q.content
		}
		for i, q := range asked[:claimed] {
			drop := q.content || q.old && q.copied && q.headRead
			switch {
			case !drop:
			case of[i] < len(all):
				gone[of[i]] = true
			default:
				dropped[of[i]-len(all)] = true
			}
			if q.content {
				contents++
			}
		}
		if contents > 0 {
			s.l.note("%d claims to volumes inside the %s are left out: they lie in its files or are copies of its own structures", contents, host.name(s.r))
		}
		var rest []claim
		for i, c := range left {
			if !dropped[i] {
				rest = append(rest, c)
			}
		}
		left = rest
	}
	var out []tenant
	for i, t := range all {
		if !gone[i] {
			out = append(out, t)
		}
	}
	walked = 0
	for i, c := range left {
		if walked += c.Length; walked/maxWalked > s.r.DriveSize() {
			s.unopened(out, left[i:])
			break
		}
		res, err := s.open(ctx, c.kind, c.Start, c.Length)
		if err != nil {
			return nil, err
		}
		if res.filesystem != "" {
			out = append(out, s.found(c, res.filesystem))
		}
	}
	return out, nil
}

// unopened puts the tenants in doubt in which places look like volumes that were
// not opened, since all of them together would cost too much.
func (s *settler) unopened(all []tenant, claims []claim) {
	s.l.missing("%d places inside volumes look like volumes and were not opened: they are too many", len(claims))
	for i := range all {
		t := &all[i]
		if slices.ContainsFunc(claims, func(c claim) bool { return t.covers(c.Start, c.Start+1) }) {
			t.Doubt = append(t.Doubt, "places in it look like volumes, lie at the start of none of its files, and were too many to be opened")
		}
	}
}

// ask walks the host and says of each of the volumes that claim a place inside
// it whether it is content of a file.
func (p *places) ask(ctx context.Context, k Kind, host *tenant, asked []inner) error {
	fs, err := p.take(ctx, k, &host.Volume)
	if fs == nil || err != nil {
		return err
	}
	marks := newMarks(asked, p.offset)
	survey, err := fs.Walk(ctx, func(f *extract.File) error {
		if f.RecordUnread || f.Kind == extract.KindFolder {
			return nil
		}
		for _, piece := range f.Pieces {
			if piece.Kind != extract.Data {
				continue
			}
			for _, m := range marks.within(piece.Image, piece.Length) {
				q, off := m.of, piece.Offset+m.at-piece.Image
				switch m.what {
				case markStart:
					if f.Size >= off+q.length && (off == 0 || p.tableNames(f, off)) {
						q.content, q.file = true, f.ID
					}
				case markSpeaks:
					q.piece, q.file = true, f.ID
				}
				if q.held != nil && m.what >= markSpeaks {
					q.held[hold{f.ID, piece.Offset - piece.Image}] |= 1 << (m.what - markSpeaks)
				}
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	// the image of a volume or drive: what a primary structure in it does not explain
	// may be younger than the host
	inside := map[string]bool{}
	images := map[uint64][]string{}
	for i := range asked {
		if q := &asked[i]; q.content && !q.copied && q.what == "" {
			inside[q.id] = true
			images[q.file] = append(images[q.file], q.family)
		}
	}
	for i := range asked {
		q := &asked[i]
		if q.what != "" {
			t := trace{family: q.family}
			q.content = q.whole() || q.held == nil && q.piece && (q.common || slices.ContainsFunc(images[q.file], t.alike))
		} else {
			q.content = q.content || q.piece && q.copied && q.id != "" && inside[q.id]
		}
	}
	return survey.Space(ctx, func(start, length int64, use extract.Use) error {
		if use == extract.UseStructure {
			for _, m := range marks.within(start, length) {
				m.of.old = m.of.old || m.what == markHead
				// a journal holds copies of what it is the journal of
				m.of.content = m.of.content || m.what == markSpeaks && (m.of.own || m.of.what != "" && m.of.held == nil && (m.of.common || (&trace{family: m.of.family}).alike(k.Name)))
			}
		}
		return ctx.Err()
	})
}

// take gives the reader that a place was opened with, or opens it again, since a
// reader walks once; nil where it no longer opens. The error is that of ctx alone.
func (p *places) take(ctx context.Context, k Kind, v *Volume) (extract.Filesystem, error) {
	if v.Pieces != nil {
		fs, err := p.composed(ctx, k, v)
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if err != nil {
			return nil, nil
		}
		return fs, nil
	}
	start, length := v.Start, v.Length
	for _, remains := range []bool{false, true} {
		a := attempt{k.Name, start, length, remains}
		if res := p.tried[a]; res.fs != nil {
			fs := res.fs
			res.fs = nil
			p.tried[a], p.kept = res, p.kept-1
			return fs, nil
		}
	}
	fs, err := k.Open(ctx, p.image, p.offset+start, length, p.o)
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if err != nil {
		return nil, nil // what no longer opens tells nothing
	}
	return fs, nil
}

// tableNames reports whether a file begins with a partition table that names
// the place off bytes into it, as the image of a whole drive does.
func (p *places) tableNames(f *extract.File, off int64) bool {
	first := f.Pieces[0]
	if first.Kind != extract.Data || first.Offset != 0 {
		return false
	}
	b := make([]byte, bootRecordSize)
	if _, err := p.image.ReadAt(b, first.Image); err != nil {
		return false
	}
	rec, ok := parseBootRecord(b)
	if !ok {
		return false
	}
	for _, e := range rec.Entries {
		if e.used() && (e.Type == typeProtective || e.extended() && int64(e.Start)*step < off || int64(e.Start)*step == off) {
			return true
		}
	}
	return false
}

// What a mark is a place of.
const (
	markStart  = iota // where the volume begins
	markHead          // where its primary structure stands
	markSpeaks        // where the structure stands that speaks for it; the others that it leads to follow
)

// spot is a place of an inner volume.
type spot struct {
	at   int64
	what int
	of   *inner
}

// marks are the places of inner volumes, in order.
type marks []spot

func newMarks(asked []inner, offset int64) marks {
	var out marks
	for i := range asked {
		q := &asked[i]
		out = append(out, spot{offset + q.start, markStart, q}, spot{offset + q.at, markSpeaks, q})
		for _, h := range q.heads {
			out = append(out, spot{offset + h.Start, markHead, q})
		}
		for k, at := range q.others {
			out = append(out, spot{offset + at, markSpeaks + 1 + k, q})
		}
	}
	slices.SortStableFunc(out, func(a, b spot) int { return cmp.Compare(a.at, b.at) })
	return out
}

// within are the places in [start, start+length).
func (m marks) within(start, length int64) []spot {
	by := func(s spot, at int64) int { return cmp.Compare(s.at, at) }
	i, _ := slices.BinarySearchFunc(m, start, by)
	j, _ := slices.BinarySearchFunc(m, start+length, by)
	return m[i:j]
}

package volume

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// rest is what a volume rests on, the weakest first.
type rest uint8

const (
	onRemains rest = iota // what is left of it, or nothing that opens
	onCopy                // a copy of its primary structure, or other structures of it
	onPrimary             // its primary structure, which was read
)

// content is what fills a range of the image.
type content struct {
	filesystem string
	reason     string // why it cannot be listed; "" if it can
	noFiles    bool
	// start and length are where the volume itself lies, where that is not the
	// range it was found in: it goes past it, or is embedded in it. Else 0.
	start, length int64

	family  string // whose reader opens it; "" for none
	closed  bool   // it does not, though copies speak for it
	opposed bool   // its own structures contradict it
	cluster int64  // bytes of its allocation units
	rests   rest
	from    string // which structure speaks for it
	own     int64  // its length by that structure; 0 where that does not tell
	id      string // as [extract.Candidate].ID
	written int64  // as [extract.Candidate].Written

	doubt []string       // why nothing of it is proved; see [Volume.Doubt]
	needs []ranges.Range // what would settle that
}

// volume is the volume that fills a range by its content. Where that lies
// elsewhere, note says so.
func (c content) volume(found string, start, length int64, r *image.Reader) (v Volume, note string) {
	v = Volume{Start: start, Length: length, Filesystem: c.filesystem, Found: found, Reason: c.reason, NoFiles: c.noFiles,
		Doubt: c.doubt, Needs: c.needs, rests: c.rests, own: c.own, id: c.id}
	switch {
	case c.length == 0:
		return v, ""
	case c.start != start:
		note = fmt.Sprintf("%s wraps a %s volume of %d bytes at offset %d", found, c.filesystem, c.length, r.Origin(c.start))
	default:
		note = fmt.Sprintf("%s is shorter than the %s volume in it: %d bytes, the volume %d", found, c.filesystem, length, c.length)
	}
	v.Start, v.Length = c.start, c.length
	return v, note
}

// headLength is the part at a volume's start that holds the primary structure
// of every family that can be listed. Where all of it was read, it says which
// family stands there, and what copies say of another is old.
const headLength = 4096

// probe says what fills [start, start+length): by the primary structures that
// stand there; where they do not stand or not all of the place was read, by all
// that other structures speak for, of which the likeliest is taken. hints are
// the families that are likelier. The error is that of ctx alone.
func (p *places) probe(ctx context.Context, start, length int64, hints []string) (content, error) {
	first := p.primaries(start)
	found, whys, err := p.byPrimaries(ctx, first, start, length)
	if err != nil {
		return content{}, err
	}
	head := p.r.IsRead(start, min(length, headLength))
	if len(found) > 0 && head {
		return p.contest(start, found, hints), nil
	}
	if len(first) == 0 {
		if in, ok := wrapped(p.r, start, length); ok {
			fs, err := p.first(ctx, p.kinds, in.Start, in.Len())
			if err != nil || fs != "" {
				return content{filesystem: fs, start: in.Start, length: in.Len(), rests: onPrimary}, err
			}
		}
	}
	named, marked, dark := identify(p.r, start, length)
	if marked && len(first) == 0 && head {
		return named, nil
	}
	primary := len(found) > 0
	for _, k := range p.inOrder(hints) {
		if primary && p.primaryRead(k.Name, start) || slices.ContainsFunc(found, func(c content) bool { return c.family == k.Name }) {
			continue
		}
		res, err := p.open(ctx, k, start, length)
		if err != nil {
			return content{}, err
		}
		if c, ok := p.byCopies(k, res, start, length); ok {
			found = append(found, c)
		}
	}
	if len(found) > 0 { // there is something to put in doubt
		for _, t := range p.tracesNear(start, length) {
			if !(primary && p.primaryRead(t.family, start)) && !slices.ContainsFunc(found, func(c content) bool { return t.of(start, &c) }) {
				found = append(found, t.content(p.r))
			}
		}
	}
	if marked && !primary {
		found = append(found, named)
	}
	if c := p.contest(start, found, hints); c.filesystem != "" {
		return c, nil
	}
	left, err := p.remains(ctx, start, length)
	if err != nil {
		return content{}, err
	}
	out := content{filesystem: left}
	if left == "" {
		if out, err = p.unlisted(ctx, start, length, dark, whys); err != nil {
			return content{}, err
		}
	}
	for _, c := range found { // none of them opens
		out.needs = append(out.needs, p.headNeeds(start, c.family)...)
		if out.reason != "" {
			out.reason += fmt.Sprintf("; by its %s a %s volume began at offset %d, which does not open", c.from, c.filesystem, p.r.Origin(start))
		} else {
			out.doubt = append(out.doubt, p.rivalWords(start, &c))
		}
	}
	return out, nil
}

// rivalWords say of a volume that another may stand in its place.
func (p *places) rivalWords(start int64, o *content) string {
	return fmt.Sprintf("another volume (%s) may stand in the same place, at offset %d: its %s speaks for it, and nothing that was read refutes it", o.filesystem, p.r.Origin(start), cmp.Or(o.from, "mark"))
}

// byPrimaries opens a range as what the primary structures at its start speak
// for. whys say why those that are left do not open.
func (p *places) byPrimaries(ctx context.Context, first []claim, start, length int64) (found []content, whys []string, err error) {
	tried := map[string]bool{}
	for _, c := range first {
		if tried[c.kind.Name] {
			continue
		}
		tried[c.kind.Name] = true
		res, err := p.open(ctx, c.kind, start, length)
		if err != nil {
			return nil, nil, err
		}
		out := content{filesystem: res.filesystem, family: c.kind.Name, rests: onPrimary, from: c.From, own: c.Length, id: c.ID, written: c.Written,
			opposed: res.opposed, cluster: res.cluster}
		// the entry may be shorter than the volume that stands in it
		if res.filesystem == "" && c.Length > length && start+c.Length <= p.r.DriveSize() {
			long, err := p.open(ctx, c.kind, start, c.Length)
			if err != nil {
				return nil, nil, err
			}
			out.filesystem, out.start, out.length = long.filesystem, start, c.Length
		}
		if out.filesystem != "" {
			found = append(found, out)
			continue
		}
		why, _ := res.refusal()
		whys = append(whys, c.kind.Name+": "+why)
	}
	return found, whys, nil
}

// primaryRead reports whether all of the place of a family's primary structure
// was read.
func (p *places) primaryRead(family string, start int64) bool {
	return !slices.ContainsFunc(headPlaces(family), func(at ranges.Range) bool { return !p.r.IsRead(start+at.Start, at.Len()) })
}

// byCopies is the volume that a range opened as without its primary structure, or
// that copies of one speak for although it does not open; ok is false where there
// is neither. Where copies speak for two volumes of the family, it is in doubt.
func (p *places) byCopies(k Kind, res opened, start, length int64) (out content, ok bool) {
	out = content{filesystem: res.filesystem, family: k.Name, rests: onCopy, closed: res.filesystem == "", opposed: res.opposed, cluster: res.cluster, from: "tables and folders"}
	var all []claim
	if k.Copies != nil {
		for _, at := range slices.Sorted(k.Copies(start, length)) { // so that they are read in few pieces
			for _, c := range k.Sniff(p.near(at), at) {
				if c := (claim{c, k}); c.Start == start && !c.primary() {
					all = append(all, c)
				}
			}
		}
	}
	slices.SortStableFunc(all, func(a, b claim) int { return cmp.Compare(b.Written, a.Written) })
	for i := range all {
		c := &all[i]
		switch {
		case i == 0:
			out.filesystem = cmp.Or(out.filesystem, c.Filesystem)
			out.from, out.own, out.written = fmt.Sprintf("%s at offset %d", c.From, p.r.Origin(c.At)), c.Length, c.Written
			out.id = c.ID
		case c.ID != all[0].ID && (out.closed || !k.Weighs):
			out.doubt = []string{fmt.Sprintf("copies at offsets %d and %d speak for two %s volumes that begin at offset %d, and its primary structure was not read or does not stand",
				p.r.Origin(all[0].At), p.r.Origin(c.At), out.filesystem, p.r.Origin(start))}
			out.needs = p.headNeeds(start, k.Name)
			return out, true
		}
	}
	return out, out.filesystem != ""
}

// headNeeds are the places of the primary structures of families in a volume
// that begins at start.
func (p *places) headNeeds(start int64, families ...string) (out []ranges.Range) {
	for _, family := range families {
		for _, at := range headPlaces(family) {
			out = append(out, ranges.Range{Start: start + at.Start, End: start + at.End})
		}
	}
	return out
}

// contest takes the likeliest of what speaks for the place at start, if it
// opens. The others put it in doubt, but for those that what was read refutes.
func (p *places) contest(start int64, found []content, hints []string) content {
	slices.SortStableFunc(found, func(a, b content) int {
		hinted := func(c content) int {
			if slices.Contains(hints, c.family) {
				return 1
			}
			return 0
		}
		return cmp.Or(order(a.closed, b.closed), cmp.Compare(b.rests, a.rests), cmp.Compare(hinted(b), hinted(a)), cmp.Compare(b.written, a.written))
	})
	if len(found) == 0 || found[0].closed {
		return content{}
	}
	best := found[0]
	for _, o := range found[1:] {
		if p.refuted(start, &best, &o) {
			continue
		}
		best.doubt = append(best.doubt, p.rivalWords(start, &o))
		best.needs = append(best.needs, p.headNeeds(start, best.family, o.family)...)
	}
	return best
}

// refuted reports whether o cannot stand at start beside best, by what was
// read: the place of its primary structure holds something else, and best is
// there by its own, or had its own unread.
func (p *places) refuted(start int64, best, o *content) bool {
	if o.rests == onPrimary || o.family == "" {
		return false
	}
	if best.rests == onPrimary && (o.opposed || headPlaces(best.family)[0].Start < bootArea(o.family) && headPlaces(best.family)[0].Start > 0) {
		return true
	}
	if !p.primaryRead(o.family, start) {
		return false
	}
	if best.rests == onPrimary {
		return true
	}
	if best.family == "" || p.primaryRead(best.family, start) {
		return false
	}
	// garbage that was read there must not refute: zeros do not
	for _, at := range headPlaces(o.family) {
		b := make([]byte, at.Len())
		if _, err := p.r.ReadAt(b, start+at.Start); err != nil || isZero(b) {
			return false
		}
	}
	return true
}

// inOrder is the list of families with the hinted ones first.
func (p *places) inOrder(hints []string) []Kind {
	rank := func(k Kind) int {
		if i := slices.Index(hints, k.Name); i >= 0 {
			return i
		}
		return len(hints)
	}
	out := slices.Clone(p.kinds)
	slices.SortStableFunc(out, func(a, b Kind) int { return cmp.Compare(rank(a), rank(b)) })
	return out
}

// bootArea is how much of a volume's start a family fills with structures when it
// is made, so that another's primary structure that stands there is younger: the
// file $Boot of NTFS has 8 KiB, the main boot region of exFAT twelve sectors
// (exFAT specification, section 3.1).
func bootArea(family string) int64 {
	switch family {
	case "ntfs":
		return 8192
	case "exfat":
		return 12 * step
	}
	return 0
}

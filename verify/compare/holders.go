package compare

import (
	"bytes"
	"context"
	"slices"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
	"fileassay/extract/volume"
	"fileassay/verify/result"
	"fileassay/verify/wanted"
)

// holder is an entry of the newer result with content in sectors that differ.
type holder struct {
	change
	sectors int64
}

// holders finds out what lies in sectors that differ, as the newer result and
// its image tell it.
type holders struct {
	after   *result.Result
	a, b    *image.Reader
	list    *wanted.List
	options extract.Options
	rec     *ContentRecord
	found   map[int64]*holder // by where its line begins

	open   *result.Volume // the volume that is open: the last that was asked
	uses   extract.Space  // nil where it cannot be opened
	buffer []byte
}

// settle counts a batch of sectors by what they hold.
func (h *holders) settle(ctx context.Context, d *differing) error {
	d.index()
	claimed := &ranges.Set{}
	for f, err := range h.after.Files() {
		if err != nil {
			return err
		}
		if f.Kind != string(extract.KindFolder) {
			h.file(d, f, claimed)
		}
	}
	rest := &ranges.Set{}
	for _, s := range d.list {
		pos := s.Start
		for x := range claimed.Within(s.Start, s.End-s.Start) {
			rest.Add(pos, x.Start-pos)
			h.rec.Holds.Files += d.count(x.Start, x.End)
			pos = x.End
		}
		rest.Add(pos, s.End-pos)
	}
	return h.space(ctx, d, rest)
}

// file notes a file if its content lies in sectors that differ, and adds those
// to claimed.
func (h *holders) file(d *differing, f *result.File, claimed *ranges.Set) {
	var mine ranges.Set
	for _, list := range [][][3]int64{f.Extents, f.Patched} {
		for _, e := range list {
			if e[1] < 0 || e[2] <= 0 || e[1] > h.b.Size()-e[2] {
				continue // no place of this image
			}
			if start, end := h.extent(d, e[1], e[1]+e[2]); start < end {
				mine.Add(start, end-start)
			}
		}
	}
	n := int64(0)
	for s := range mine.All() {
		n += d.sectors(s.Start, s.End)
	}
	if n == 0 {
		return
	}
	claimed.AddAll(&mine)
	x := h.found[f.At]
	if x == nil {
		level := int8(slices.Index(levels[:], f.Verdict))
		x = &holder{change: change{at: f.At, was: -1, what: Changed.rank(), before: level, after: level, weight: f.Weight(h.list)}}
		h.found[f.At] = x
	}
	x.sectors += n
}

// extent gives the sectors in which content at [start, end) of the image may
// differ, from the first to the last. Of a sector at an end of it, only the
// bytes that belong to it count.
func (h *holders) extent(d *differing, start, end int64) (from, to int64) {
	from, to = d.floor(start), d.ceil(end)
	if d.sectors(from, to) == 0 {
		return 0, 0
	}
	if to-from == d.unit {
		if (start != from || end != to) && !h.differs(start, end) {
			return 0, 0
		}
		return from, min(to, h.b.Size())
	}
	if start != from && (d.sectors(from, from+d.unit) == 0 || !h.differs(start, from+d.unit)) {
		from += d.unit
	}
	if last := to - d.unit; end != to && (d.sectors(last, to) == 0 || !h.differs(last, end)) {
		to = last
	}
	if d.sectors(from, to) == 0 {
		return 0, 0
	}
	return from, min(to, h.b.Size())
}

// differs compares a part of a sector that both passes read. What the image
// files no longer give is taken to differ.
func (h *holders) differs(start, end int64) bool {
	n := end - start
	h.buffer = slices.Grow(h.buffer[:0], int(2*n))[:2*n]
	p, q := h.buffer[:n], h.buffer[n:]
	if _, err := h.a.ReadAt(p, start); err != nil {
		return true
	}
	if _, err := h.b.ReadAt(q, start); err != nil {
		return true
	}
	return !bytes.Equal(p, q)
}

// space counts sectors that hold no content of a listed file.
func (h *holders) space(ctx context.Context, d *differing, rest *ranges.Set) error {
	// a volume inside another knows more of its place
	for _, listed := range []bool{true, false} {
		for i := range h.after.Volumes {
			v := &h.after.Volumes[i]
			if (v.Proof != nil) != listed || v.Start < 0 || v.Length <= 0 || v.Start >= h.b.Size() {
				continue
			}
			for _, p := range v.Places() {
				start, end := d.ceil(p.Start), d.ceil(min(p.Len(), h.b.Size()-p.Start)+p.Start)
				if rest.Covered(start, end-start) == 0 {
					continue
				}
				if err := h.volume(ctx, d, v, rest, start, end); err != nil {
					return err
				}
				left := &ranges.Set{}
				for s := range rest.All() {
					left.Add(s.Start, min(s.End, start)-s.Start)
					from := max(s.Start, end)
					left.Add(from, s.End-from)
				}
				rest = left
			}
		}
	}
	for s := range rest.All() {
		h.rec.Holds.Outside += d.count(s.Start, s.End)
	}
	return nil
}

// volume counts the sectors of rest in a piece of a volume, [start, end).
func (h *holders) volume(ctx context.Context, d *differing, v *result.Volume, rest *ranges.Set, start, end int64) error {
	if err := h.enter(ctx, v); err != nil {
		return err
	}
	count := func(from, to int64, n *int64) {
		for s := range rest.Within(from, to-from) {
			*n += d.count(s.Start, s.End)
		}
	}
	if h.uses == nil {
		count(start, end, &h.rec.Holds.Unknown)
		return nil
	}
	pos := start
	err := h.uses(ctx, func(at, length int64, use extract.Use) error {
		from, to := max(d.ceil(at), pos), min(d.ceil(at+length), end)
		if from >= to {
			return ctx.Err()
		}
		count(pos, from, &h.rec.Holds.Unknown)
		pos = to
		switch use {
		case extract.UseStructure:
			count(from, to, &h.rec.Holds.Structures)
		case extract.UseFree, extract.UseFile: // of a file, what is none of its content
			count(from, to, &h.rec.Holds.Free)
		default:
			count(from, to, &h.rec.Holds.Unknown)
		}
		return ctx.Err()
	})
	count(pos, end, &h.rec.Holds.Unknown)
	return err
}

// enter opens a volume of the newer image, as far as that was read.
func (h *holders) enter(ctx context.Context, v *result.Volume) error {
	if h.open == v {
		return nil
	}
	h.open, h.uses = v, nil
	if v.Proof == nil {
		return nil
	}
	var survey *extract.Survey
	fs, err := volume.Open(ctx, h.b, &volume.Volume{Start: v.Start, Length: v.Length, Pieces: v.Pieces.Runs(), Filesystem: v.Filesystem}, h.options)
	if err == nil {
		survey, err = fs.Walk(ctx, func(*extract.File) error { return ctx.Err() })
	}
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	if err == nil {
		h.uses = survey.Space
	}
	return nil
}

// holdOther tells of entries whose content differs, by place of their lines,
// beside what else became of them: what got worse is never told under what did
// not.
func (c *Comparison) holdOther(found map[int64]*holder) {
	c.Content.Files = int64(len(found))
	c.all.sectors = map[int64]int64{}
	for at, x := range found {
		c.all.sectors[at] = x.sectors
	}
	for _, i := range c.all.order {
		ch := c.all.at(i)
		if found[ch.at] == nil { // as of what is gone
			continue
		}
		delete(found, ch.at)
		if what := sorts[ch.what]; what != Changed {
			c.Counts[Changed]++
			if what != Fell {
				ch.what = Changed.rank() // it is counted under what it was, too
			}
		}
	}
	c.Counts[Changed] += int64(len(found))
	for _, x := range found {
		c.all.tell(x.change)
	}
	c.all.sort()
}

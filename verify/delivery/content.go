package delivery

import (
	"cmp"
	"errors"
	"fileassay/verify/result"
	"math"
	"slices"
)

// span is a range of a file's content.
type span struct{ off, length int64 }

func (s span) end() int64 { return s.off + s.length }

// total is how many bytes spans have together.
func total(list []span) (n int64) {
	for _, s := range list {
		n += s.length
	}
	return n
}

// part is a range of content that lies in the image byte for byte.
type part struct{ off, length, image int64 }

// unit is a range of content that is stored packed.
type unit struct {
	span
	stored []part // by image; off counts stored bytes
	whole  int64  // how many bytes are packed: what is past the span is no content
}

// content is what a line of a result says of a file's content: parts and
// units, in order, without overlap, none of them damaged. What they leave out
// is missing, or else reads as zeros.
type content struct {
	size    int64
	parts   []part
	units   []unit
	missing []span
	method  string
}

// bytes is how much of the content the image holds.
func (c *content) bytes() int64 {
	var n int64
	for _, p := range c.parts {
		n += p.length
	}
	for _, u := range c.units {
		n += u.length
	}
	return n
}

var (
	errUnpackable = errors.New("how its content is compressed is not known, or its result is of an earlier version")
	errNonsense   = errors.New("its line in the result names impossible places")
)

// contentOf reads the content of a file from its line. The line may be
// anybody's: nothing in it is believed that the others do not bear out.
func contentOf(f *result.File) (content, error) {
	var c content
	for _, list := range [][][3]int64{f.Extents, f.Patched} {
		for _, e := range list {
			if e[0] < 0 || e[1] < 0 || e[2] <= 0 || e[0] > math.MaxInt64-e[2] || e[1] > math.MaxInt64-e[2] {
				return c, errNonsense
			}
		}
	}
	if f.Size != nil {
		c.size = *f.Size
	} else {
		c.size = reach(f)
	}
	if c.size < 0 {
		return c, errNonsense
	}
	for _, d := range f.Damage {
		if d.Offset < 0 || d.Length <= 0 || d.Offset > math.MaxInt64-d.Length {
			return c, errNonsense
		}
		if d.Offset < c.size {
			c.missing = append(c.missing, span{d.Offset, min(d.Length, c.size-d.Offset)})
		}
	}
	slices.SortFunc(c.missing, func(a, b span) int { return cmp.Compare(a.off, b.off) })
	packed := f.Stored == "compressed"
	if packed && len(f.Packing.Units) == 0 && !plainEnough(f) {
		return c, errUnpackable
	}
	extents := f.Extents
	if len(f.Packing.Units) > 0 {
		var err error
		if extents, err = c.unpacked(f); err != nil {
			return c, err
		}
	}
	for _, e := range extents {
		c.parts = append(c.parts, part{e[0], e[2], e[1]})
	}
	for _, e := range f.Patched {
		c.parts = append(c.parts, part{e[0], e[2], e[1]})
	}
	c.settle()
	return c, nil
}

// plainEnough reports whether a file that a system compresses is stored plain
// all the same: its extents, holes left out, never overlap nor pass its end.
func plainEnough(f *result.File) bool {
	if f.Size == nil {
		return false
	}
	for _, d := range f.Damage {
		if d.Image >= 0 && len(f.Extents) == 0 {
			return false
		}
	}
	pos := int64(0)
	for _, e := range f.Extents {
		if e[0] < pos || e[0]+e[2] > *f.Size {
			return false
		}
		pos = e[0] + e[2]
	}
	return true
}

// reach is where the located content of a file ends whose size is not known.
func reach(f *result.File) int64 {
	var n int64
	for _, list := range [][][3]int64{f.Extents, f.Patched} {
		for _, e := range list {
			n = max(n, e[0]+e[2])
		}
	}
	return n
}

// settle puts the parts in order and takes away what overlaps, passes the end
// or is missing.
func (c *content) settle() {
	slices.SortStableFunc(c.parts, func(a, b part) int { return cmp.Compare(a.off, b.off) })
	var out []part
	pos, m := int64(0), 0
	for _, p := range c.parts {
		end := min(p.off+p.length, c.size)
		at := max(p.off, pos)
		for at < end {
			for m < len(c.missing) && c.missing[m].end() <= at {
				m++
			}
			stop := end
			if m < len(c.missing) {
				if gap := c.missing[m]; gap.off <= at {
					at = gap.end()
					continue
				} else {
					stop = min(stop, gap.off)
				}
			}
			out = append(out, part{at, stop - at, p.image + at - p.off})
			at = stop
		}
		pos = max(pos, at)
	}
	c.parts = out
}

// isMissing reports whether a byte of s is missing.
func (c *content) isMissing(s span) bool {
	i, _ := slices.BinarySearchFunc(c.missing, s.off, func(m span, off int64) int {
		if m.end() <= off {
			return -1
		}
		return 1
	})
	return i < len(c.missing) && c.missing[i].off < s.end()
}

// maxUnit is the largest compression unit that any filesystem here has, but
// for what a small file keeps in one piece.
const maxUnit = 1 << 20

// unpacked makes the units of a file and returns the extents of what is stored
// plain.
func (c *content) unpacked(f *result.File) ([][3]int64, error) {
	p := f.Packing
	if p.Unit <= 0 || p.Unit > maxUnit && (len(p.Units) != 1 || len(p.Units[0]) != 2 || p.Unit > 64*maxUnit) {
		return nil, errNonsense
	}
	valid := c.size
	if p.Valid > 0 {
		valid = min(valid, p.Valid)
	}
	c.method = p.Method
	byPlace := p.Method == "lznt1"
	var plain [][3]int64
	rest := f.Extents // in stored order
	used := int64(0)  // stored bytes of rest[0] that are used
	// take cuts the next n stored bytes, or those whose offset is below limit
	take := func(n, limit int64, each func(e [3]int64)) int64 {
		var got int64
		for got < n && len(rest) > 0 {
			e := rest[0]
			e[0], e[1], e[2] = e[0]+used, e[1]+used, e[2]-used
			if e[0] >= limit {
				break
			}
			step := min(e[2], n-got, limit-e[0])
			each([3]int64{e[0], e[1], step})
			got += step
			if used += step; used == rest[0][2] {
				rest, used = rest[1:], 0
			}
		}
		return got
	}
	next := int64(0)
	for _, run := range p.Units {
		if len(run) < 2 || run[0] < next {
			return nil, errNonsense
		}
		at := run[0]
		for _, stored := range run[1:] {
			if stored <= 0 || stored > 2*max(p.Unit, 1<<16) || at >= valid {
				return nil, errNonsense
			}
			u := unit{span: span{at, min(p.Unit, valid-at)}}
			u.whole = u.length
			limit := int64(math.MaxInt64)
			if byPlace {
				take(math.MaxInt64, at, func(e [3]int64) { plain = append(plain, e) })
				limit = at + p.Unit
				u.whole = p.Unit
			}
			var n int64
			got := take(stored, limit, func(e [3]int64) {
				if k := len(u.stored) - 1; k >= 0 && u.stored[k].image+u.stored[k].length == e[1] {
					u.stored[k].length += e[2]
				} else {
					u.stored = append(u.stored, part{n, e[2], e[1]})
				}
				n += e[2]
			})
			if got != stored {
				return nil, errNonsense
			}
			if !c.isMissing(u.span) {
				c.units = append(c.units, u)
			}
			at += p.Unit
		}
		next = at
	}
	if byPlace {
		take(math.MaxInt64, math.MaxInt64, func(e [3]int64) { plain = append(plain, e) })
	}
	return plain, nil
}

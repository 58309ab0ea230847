package claims

import (
	"cmp"
	"slices"

	"fileassay/extract/ranges"
)

// Register collects ranges that each claim their bytes for themselves, and
// tells which bytes more than one of them claims. The zero value has none. It
// is not safe for concurrent use: collect in several and join them with AddAll.
// Places count in bytes of the image, or in blocks of the volume.
type Register struct {
	list  []ranges.Range
	twice ranges.Set
	limit int // settle when list grows to this
}

// leastSettled is how long a list of claims grows before it is first settled.
const leastSettled = 1 << 16

// Add adds a claim on length bytes from start. Two claims of neighbouring
// ranges may be kept as one.
func (c *Register) Add(start, length int64) {
	if length <= 0 || start < 0 || ranges.EndOf(start, length) != start+length {
		return // on no image
	}
	c.list = ranges.Append(c.list, ranges.Range{Start: start, End: start + length})
	if len(c.list) >= max(c.limit, leastSettled) {
		c.settle()
		c.limit = 2 * len(c.list)
	}
}

// AddAll adds the claims of o.
func (c *Register) AddAll(o *Register) {
	for _, r := range o.list {
		c.Add(r.Start, r.Len())
	}
	c.twice.AddAll(&o.twice)
}

// settle sorts and joins the claims and notes where they overlap.
func (c *Register) settle() {
	slices.SortFunc(c.list, func(a, b ranges.Range) int { return cmp.Compare(a.Start, b.Start) })
	out := c.list[:0]
	for _, r := range c.list {
		n := len(out)
		if n == 0 || r.Start > out[n-1].End {
			out = append(out, r)
			continue
		}
		last := &out[n-1]
		c.twice.Add(r.Start, min(r.End, last.End)-r.Start)
		last.End = max(last.End, r.End)
	}
	c.list = out
}

// All is the set of the bytes that are claimed at all. Several goroutines may
// ask it.
func (c *Register) All() ranges.Set {
	c.settle()
	var out ranges.Set
	for _, r := range c.list {
		out.Add(r.Start, r.Len())
	}
	return out
}

// Twice is the set of the bytes that more than one claim covers. Several
// goroutines may ask it.
func (c *Register) Twice() ranges.Set {
	c.settle()
	c.twice.Len() // settled here
	return c.twice
}

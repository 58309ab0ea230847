package volume

import (
	"cmp"
	"slices"
)

// twoWays reports whether a family takes the sector for both a volume's first
// structure and another's backup: some write the two alike.
func twoWays(claims []claim) bool {
	for i, a := range claims {
		for _, b := range claims[:i] {
			if a.kind.Name == b.kind.Name && a.primary() != b.primary() {
				return true
			}
		}
	}
	return false
}

// weigh sorts the claims of one sector: those first whose other copy stands
// where it must, then those whose other copy was not read, of these the ones
// that begin where volumes are laid out to begin.
func (p *places) weigh(claims []claim) {
	weight := func(c *claim) int {
		w := 8 * p.support(c)
		switch {
		case c.Start%(1<<20) == 0:
			w += 3
		case c.Start%cylinder == 0, c.Start%cylinder == 63*512:
			w += 2
		case c.Start%4096 == 0:
			w++
		}
		return w
	}
	slices.SortStableFunc(claims, func(a, b claim) int { return cmp.Compare(weight(&b), weight(&a)) })
}

// support is what the place of a claim's other copy says: 2 the same volume, 1
// nothing since it was not read, 0 something else.
func (p *places) support(c *claim) int {
	if !c.primary() {
		for _, o := range p.primaries(c.Start) {
			if o.kind.Name == c.kind.Name {
				return 2
			}
		}
		if c.Start >= 0 && p.r.IsRead(c.Start, 2*primaryReach) {
			return 0
		}
		return 1
	}
	if c.kind.Copies == nil {
		return 1
	}
	read := true
	n := 0
	for at := range c.kind.Copies(c.Start, c.Length) {
		if n++; n > maxSupport {
			break
		}
		for _, o := range c.kind.Sniff(p.near(at), at) {
			if o.Start == c.Start && o.At-o.Start > primaryReach {
				return 2
			}
		}
		read = read && p.r.IsRead(at, step)
	}
	if read {
		return 0
	}
	return 1
}

// maxSupport is how many places of a copy are asked, the likeliest first.
const maxSupport = 16

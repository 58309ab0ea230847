package imap

import (
	"bytes"
	"fmt"
	"hash/fnv"
	"math"
	"os"
	"slices"
	"unicode"
)

// What proves a reading are numbers of the list that meet. Where a range ends
// the next begins, and both numbers stand in the list: by chance that happens
// to a large length once in a very long while, to a length of 1 always, as
// numbers of lines show. And the last range ends where the drive does, in one
// of some units. A unit or a length that no number of the list says is made
// up, so that it would fit, and proves nothing.

// minBits is how much must meet for a reading to be sure: by chance it is so
// once in 2^32 lists.
const minBits = 32

// unitBits is what the choice among units takes off.
const unitBits = 4

// joints sums up the places where ranges that tile meet. Ranges of one length
// in a row count once: clocks and counters have such steps too.
type joints struct {
	sum      float64 // binary logarithms of lengths
	length   int64   // of the range before
	last     Range   // the range that ends last: nothing meets its end
	lastBits float64 // that it has in sum
}

func (j *joints) add(rg Range) {
	bits := 0.0
	if rg.Length != j.length && rg.Length > 1 {
		bits = math.Log2(float64(rg.Length))
	}
	j.length = rg.Length
	j.sum += bits
	if rg.End() >= j.last.End() {
		j.last, j.lastBits = rg, bits
	}
}

// bits is what the joints prove, and the end where it is that of the drive.
func (j *joints) bits() float64 {
	if j.last.End() == 0 {
		return 0
	}
	return j.sum - j.lastBits + math.Log2(float64(j.last.End())) - unitBits
}

// proven says why the numbers of the list do not prove the reading, whose end
// is that of the drive; "" where they do.
func (r *Reading) proven() string {
	switch {
	case r.ones && !r.bare:
		return "every range is a single block, as numbers of lines would tile too, and other columns say other things"
	case r.ones && !slices.Contains(r.values, r.unit()):
		return fmt.Sprintf("every range is a single block, as numbers of lines would tile too, and nothing in the list says that a block has %d bytes", r.unit())
	case !r.ones && r.bits < minBits:
		return "the numbers that meet are too few or too small to prove this reading"
	}
	return ""
}

func (r *Reading) unit() int64 {
	n, _ := r.Recipe.unit()
	return n
}

// placed tells which columns of a list hold what of its ranges, by sums of
// their texts, so that the ways to cut lines do not matter.
type placed struct {
	start, other uint64   // the columns that were taken; other is 0 for none
	all          []uint64 // these, and those that say the same in other words
	even         bool     // all lines have as many columns: none holds parts of words
}

// place finds what columns hold of the ranges that rec makes of data.
func place(rec *Recipe, data []row, ranges []Range) (p placed) {
	width := len(data[0].fields)
	p.even = true
	for _, r := range data {
		p.even = p.even && len(r.fields) == len(data[0].fields)
		width = min(width, len(r.fields))
	}
	for c := range width {
		if !explained(rec, data, ranges, c) {
			continue
		}
		sum := fnv.New64a()
		for _, r := range data {
			sum.Write(r.text(c))
			sum.Write([]byte{0})
		}
		p.all = append(p.all, sum.Sum64())
		switch c + 1 {
		case rec.Start.From:
			p.start = sum.Sum64()
		case rec.Length.From, rec.End.From:
			p.other = sum.Sum64()
		}
	}
	return p
}

// explained reports whether a column, from 0, holds nothing but starts,
// lengths or ends of the ranges.
func explained(rec *Recipe, data []row, ranges []Range, c int) bool {
	start, length, end, last := true, true, true, true
	for i, r := range data {
		if c >= len(r.fields) {
			return false
		}
		v, ok, _ := parseUint(r.text(c), rec.Radix, -1)
		if !ok {
			return false
		}
		g := ranges[i]
		start, length, end, last = start && v == g.Start, length && v == g.Length, end && v == g.End(), last && v == g.End()-1
		if !start && !length && !end && !last {
			return false
		}
	}
	return true
}

// rivals reports whether o reads ranges of the drive of size bytes, 0 where
// not known, in columns of which r says nothing. Elapsed times and counts tile
// as well as places do, so that they may be what either reads.
func (r *Reading) rivals(o *Reading, size int64) bool {
	explains := func(sum uint64) bool { return slices.Contains(r.placed.all, sum) }
	return !o.ones && o.placed.other != 0 && o.placed.even && o.Ranges == r.Ranges && (size == 0 || o.End <= size) && !explains(o.placed.start) && !explains(o.placed.other)
}

// findBare sets bare and values of a reading of single blocks, from the whole
// list.
func (r *Reading) findBare(f *os.File, path string) error {
	sep, err := parseSeparator(r.Recipe.Separator)
	if err != nil || r.Recipe.State.To != 0 {
		return nil
	}
	sep.merge = r.Recipe.Merge
	if r.Recipe.Quote != "" {
		sep.quote = r.Recipe.Quote[0]
	}
	stated := func(text []byte, radix int) {
		if v, ok, _ := parseUint(text, radix, -1); ok && len(r.values) < 64 && !slices.Contains(r.values, v) {
			r.values = append(r.values, v)
		}
	}
	left := func(text []byte) {
		for _, word := range bytes.FieldsFunc(text, func(c rune) bool { return !unicode.IsLetter(c) && !unicode.IsDigit(c) }) {
			stated(word, 0)
		}
	}
	var dst [maxLearnColumns + 1]field
	var first [][]byte
	r.bare = true
	return r.overLines(f, path, left, func(next func() ([]byte, bool)) {
		for line, ok := next(); ok; line, ok = next() {
			n := sep.cut(line, dst[:])
			if first == nil {
				for c, d := range dst[:n] {
					text := bytes.Clone(line[d.a:d.z])
					first = append(first, text)
					if c+1 != r.Recipe.Start.From && c+1 != r.Recipe.State.From {
						stated(text, r.Recipe.Radix)
					}
				}
			}
			r.bare = r.bare && n == len(first) && n <= maxLearnColumns
			for c := 0; c < n && r.bare; c++ {
				r.bare = c+1 == r.Recipe.Start.From || c+1 == r.Recipe.State.From || bytes.Equal(line[dst[c].a:dst[c].z], first[c])
			}
		}
	})
}

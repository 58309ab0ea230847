package lawtest

import (
	"fmt"
	"math/rand/v2"
	"slices"

	"fileassay/extract"
)

// breach is a way in which a property does not hold.
type breach struct {
	what   string // one of few words
	detail string
}

// property is one of the five: it draws cases, tries them, and says by what a
// small failing case is told from others.
type property struct {
	name  string
	draw  func(s *subject, rnd *rand.Rand) testCase
	try   func(s *subject, c testCase) []breach
	cause func(s *subject, c testCase) string
}

// properties are all of them.
func properties() []property {
	sectors := func(s *subject, c testCase) string { return s.known.kinds(c.more) }
	return []property{
		{"filler", drawFiller, tryFiller, func(s *subject, c testCase) string { return s.known.kinds(c.unread) }},
		{"monotone", drawMonotone, tryMore, sectors},
		{"garbage", drawGarbage, tryMore, sectors},
		{"content", drawContent, tryContent, fields},
		{"cost", drawCost, tryCost, func(*subject, testCase) string { return "" }},
	}
}

// drawUnread draws sectors that were not read: more often than not of metadata,
// from one to nearly all.
func (s *subject) drawUnread(rnd *rand.Rand) []int64 {
	all := s.size() / sectorSize
	var out []int64
	run := func(at, n int64) {
		for k := at; k < min(at+n, all); k++ {
			out = append(out, k)
		}
	}
	someMeta := func() int64 { return s.meta[rnd.IntN(len(s.meta))] }
	switch rnd.IntN(8) {
	case 0, 1, 2: // a few
		for range 1 + rnd.IntN(6) {
			out = append(out, someMeta())
		}
	case 3, 4: // runs that begin in metadata
		for range 1 + rnd.IntN(3) {
			run(someMeta(), 1<<rnd.IntN(9))
		}
	case 5: // a share of all metadata
		p := []float64{.02, .1, .5, .9}[rnd.IntN(4)]
		for _, k := range s.meta {
			if rnd.Float64() < p {
				out = append(out, k)
			}
		}
	case 6: // the beginning, where what all rests on stands
		run(0, 1<<rnd.IntN(8))
		run(someMeta(), 1<<rnd.IntN(5))
	default: // anywhere, or the end
		if rnd.IntN(3) == 0 {
			run(all*int64(80+rnd.IntN(20))/100, all)
		}
		for range 1 + rnd.Int64N(all/100) {
			out = append(out, rnd.Int64N(all))
		}
	}
	return sorted(out)
}

// part draws some of a list: one, half, nearly all, or some in a row.
func part(list []int64, rnd *rand.Rand) []int64 {
	var out []int64
	switch rnd.IntN(4) {
	case 0:
		return []int64{list[rnd.IntN(len(list))]}
	case 1:
		a := rnd.IntN(len(list))
		return slices.Clone(list[a:min(len(list), a+1<<rnd.IntN(6))])
	case 2:
		for _, k := range list {
			if rnd.IntN(2) == 0 {
				out = append(out, k)
			}
		}
	default:
		for _, k := range list {
			if rnd.IntN(20) != 0 {
				out = append(out, k)
			}
		}
	}
	if len(out) == 0 {
		return list
	}
	return out
}

func (s *subject) drawFill(rnd *rand.Rand, from int) string {
	n := len(fills)
	if s.image.Older == nil {
		n--
	}
	return fills[from+rnd.IntN(n-from)]
}

// drawEditIn draws an edit of a structure in one of the sectors.
func (s *subject) drawEditIn(sectors []int64, rnd *rand.Rand) []edit {
	e, ok := s.known.drawOf(s.image.Volume, rnd, func(x *Structure) bool {
		k, found := slices.BinarySearch(sectors, x.At/sectorSize)
		return found || k < len(sectors) && sectors[k]*sectorSize < x.At+x.Length
	})
	if !ok {
		return nil
	}
	return []edit{e}
}

func drawFiller(s *subject, rnd *rand.Rand) testCase {
	c := testCase{unread: s.drawUnread(rnd), fill: s.drawFill(rnd, 1), noise: rnd.Uint64()}
	if rnd.IntN(3) == 0 { // an old copy: the structure itself with another value, its checksum right
		c.fill, c.edits = "keep", s.drawEditIn(c.unread, rnd)
		// what of it was read must be the same
		for _, e := range c.edits {
			if x, _, ok := s.known.find(e); ok {
				for k := x.At / sectorSize; k*sectorSize < x.At+x.Length; k++ {
					c.unread = append(c.unread, k)
				}
			}
		}
		c.unread = sorted(c.unread)
	}
	return c
}

// tryFiller holds what is said with one content of the unread sectors to what
// is said with another, in another number of threads.
func tryFiller(s *subject, c testCase) []breach {
	m := mapOf(s.size(), c.unread)
	a := look(s.reader.Open, &disk{base: s.image.Volume}, m, 1).text()
	b := look(s.reader.Open, s.disk(c, c.unread).within(c.unread), m, 2).text()
	if slices.Equal(a, b) {
		return nil
	}
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return []breach{{"other output", fmt.Sprintf("%.300s\n\tand\n\t%.300s", a[i], b[i])}}
		}
	}
	return []breach{{"other output", fmt.Sprintf("%d lines and %d", len(a), len(b))}}
}

func drawMonotone(s *subject, rnd *rand.Rand) testCase {
	all := s.drawUnread(rnd)
	more := sorted(part(all, rnd))
	return testCase{unread: without(all, more), more: more, fill: "keep"}
}

func drawGarbage(s *subject, rnd *rand.Rand) testCase {
	at := s.meta[rnd.IntN(len(s.meta))]
	more := []int64{at}
	if rnd.IntN(4) == 0 { // a whole block
		more = nil
		for _, k := range s.meta {
			if k&^7 == at&^7 {
				more = append(more, k)
			}
		}
	}
	c := testCase{more: more, fill: s.drawFill(rnd, 1), noise: rnd.Uint64()}
	if rnd.IntN(4) == 0 {
		c.unread = without(s.drawUnread(rnd), more)
	}
	if rnd.IntN(5) == 0 {
		if c.edits = s.drawEditIn(more, rnd); c.edits != nil {
			c.fill = "keep"
		}
	}
	if c.edits != nil || c.fill == "older" { // only what is read beside it can contradict
		c.unread = nil
	}
	return c
}

// tryMore holds what is said where more is read to what is said where less is.
func tryMore(s *subject, c testCase) []breach {
	a := look(s.reader.Open, &disk{base: s.image.Volume}, mapOf(s.size(), c.unread, c.more), 2)
	b := look(s.reader.Open, s.disk(c, c.more).within(c.more), mapOf(s.size(), c.unread), 2)
	garbled := c.fill != "keep"
	var out []breach
	if a.failed == "" && b.failed != "" {
		return []breach{{"not opened", b.failed}}
	}
	if a.failed != "" {
		if !s.known.sound(s.image.Volume, c.edits) {
			out = s.untrue(b, c, a.words(), garbled)
		}
		return append(out, s.short(b)...)
	}
	wordsA, wordsB := a.words(), b.words()
	said := names(wordsA, wordsB)
	listed, whole, paths := map[key]*extract.File{}, map[key]bool{}, map[string]bool{}
	for _, f := range b.files {
		k := keyOf(f)
		listed[k], paths[f.Path] = f, true
		whole[k] = whole[k] || intact(b.r, f)
	}
	for _, f := range a.files {
		k := keyOf(f)
		g := listed[k]
		if g == nil {
			if !paths[f.Path] && (s.keys[k] || s.paths[f.Path]) {
				out = append(out, breach{"not listed", fmt.Sprintf("%s %q, %d bytes", f.Kind, f.Path, f.Size)})
			}
			continue
		}
		if s.keys[k] && intact(a.r, f) && !whole[k] && !said && !names(fileWords(f), fileWords(g)) {
			out = append(out, breach{"not intact", fmt.Sprintf("%s %q: %+v", g.Kind, g.Path, *g)})
		}
	}
	if a.listing.Complete && !b.listing.Complete && len(b.listing.Why) == 0 {
		out = append(out, breach{"not complete", "the list is, with less read"})
	}
	out = append(out, s.untrue(a, testCase{}, nil, false)...)
	if !s.known.sound(s.image.Volume, c.edits) {
		out = append(out, s.untrue(b, c, wordsA, garbled)...)
	}
	return append(out, s.short(b)...)
}

func fileWords(f *extract.File) map[string]bool {
	out := map[string]bool{}
	for _, w := range f.Why {
		addWords(out, w)
	}
	return out
}

// untrue are the entries that are called intact and do not hold what the truth
// says, where the volume does not name a contradiction, after the edits of a case
// that something else contradicts. before are the words of
// the same volume without what may contradict. Where sectors are garbled, so may be
// the target of a link, which is content.
func (s *subject) untrue(v *view, c testCase, before map[string]bool, garbled bool) []breach {
	var out []breach
	if before != nil && names(before, v.words()) {
		return nil
	}
	for _, f := range v.files {
		if f.Kind == extract.KindFolder || garbled && f.Kind == extract.KindLink || !intact(v.r, f) {
			continue
		}
		sum, err := digest(v.r, f)
		if err != nil {
			out = append(out, breach{"untrue", fmt.Sprintf("%q is called intact: %v", f.Path, err)})
			continue
		}
		if want, ok := s.digests[f.Path]; ok && slices.Contains(want, sum) || !ok && s.content[sum] {
			continue
		}
		out = append(out, breach{"untrue", fmt.Sprintf("%s %q of %d bytes is called intact and is not what the truth says: %.400s",
			f.Kind, f.Path, f.Size, fmt.Sprintf("%+v", *f))})
	}
	return out
}

// short says whether a list that is called complete lacks an entry.
func (s *subject) short(v *view) []breach {
	if v.failed != "" || !v.listing.Complete {
		return nil
	}
	keys, paths := map[key]bool{}, map[string]bool{}
	for _, f := range v.files {
		keys[keyOf(f)], paths[f.Path] = true, true
	}
	for _, f := range s.whole.files {
		if !keys[keyOf(f)] && !paths[f.Path] {
			return []breach{{"short", fmt.Sprintf("the list is called complete and has no %q", f.Path)}}
		}
	}
	return nil
}

func drawContent(s *subject, rnd *rand.Rand) testCase {
	e, ok := s.known.draw(s.image.Volume, rnd)
	if !ok {
		return testCase{}
	}
	return testCase{edits: []edit{e}}
}

func tryContent(s *subject, c testCase) []breach {
	if s.known.sound(s.image.Volume, c.edits) {
		return nil
	}
	v := look(s.reader.Open, s.disk(c, nil), mapOf(s.size()), 2)
	return s.untrue(v, c, s.words, false)
}

// fields are the names of the fields that a case sets.
func fields(s *subject, c testCase) string {
	var out string
	for _, e := range c.edits {
		if _, f, ok := s.known.find(e); ok {
			out += e.kind + "/" + f.Name + " "
		}
	}
	return out[:max(len(out)-1, 0)]
}

// drawCost draws hostile images: many edits, with noise and copies in places
// where metadata stands.
func drawCost(s *subject, rnd *rand.Rand) testCase {
	c := testCase{fill: s.drawFill(rnd, 1), noise: rnd.Uint64()}
	for range 1 << rnd.IntN(8) {
		if e, ok := s.known.draw(s.image.Volume, rnd); ok {
			c.edits = append(c.edits, e)
		}
	}
	for range rnd.IntN(1 << rnd.IntN(8)) {
		c.more = append(c.more, s.meta[rnd.IntN(len(s.meta))])
	}
	c.more = sorted(c.more)
	if rnd.IntN(2) == 0 {
		c.unread = without(s.drawUnread(rnd), c.more)
	}
	return c
}

// Bounds of what a reader may use for an image of n bytes.
const (
	memoryEach, memoryMore = 16, 256 << 20
	readEach, readMore     = 64, 64 << 20 // of bytes read, which stand for time
)

func tryCost(s *subject, c testCase) []breach {
	d := s.disk(c, c.more)
	m := mapOf(s.size(), c.unread)
	var v *view
	var out []breach
	memory := Peak(func() { v = look(s.reader.Open, d, m, 2) })
	if limit := memoryEach*s.size() + memoryMore; memory > limit {
		out = append(out, breach{"memory", fmt.Sprintf("%d MiB, at most %d", memory>>20, limit>>20)})
	}
	if limit := readEach*s.size() + readMore; d.read.Load() > limit {
		out = append(out, breach{"reads", fmt.Sprintf("%d MiB, at most %d", d.read.Load()>>20, limit>>20)})
	}
	if int64(len(v.files)) > s.size()/8 {
		out = append(out, breach{"entries", v.failed})
	}
	if v.failed == "context deadline exceeded" {
		out = append(out, breach{"end", "it did not end"})
	}
	return out
}

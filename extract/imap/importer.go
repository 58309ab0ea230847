package imap

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"math"
)

// Import reads the list in a file as a recipe says. size is that of the drive
// in bytes, 0 where it is not known: a range that ends past it is an error,
// unless the list counts blocks of which the drive's end cuts the last. Other
// errors are as those of [Load].
func Import(path string, rec *Recipe, size int64) (*File, error) {
	im, err := newImporter(rec, path, size)
	if err != nil {
		return nil, err
	}
	f, length, err := openMap(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	h := sha256.New()
	m, err := im.read(io.TeeReader(f, h), length)
	if over, ok := errors.AsType[*OverlapError](err); ok {
		return nil, nameOverlap(f, 0, path, over, im.again)
	}
	if err != nil {
		return nil, err
	}
	out := &File{Map: m, Path: path}
	h.Sum(out.SHA256[:0])
	return out, nil
}

// ParseList reads a list from r as [Import] does from a file; name is for
// errors. Lines that overlap are named if r is an [io.Seeker].
func ParseList(r io.Reader, name string, rec *Recipe, size int64) (*Map, error) {
	im, err := newImporter(rec, name, size)
	if err != nil {
		return nil, err
	}
	seeker, canSeek := r.(io.ReadSeeker)
	var from int64
	if canSeek {
		from, err = seeker.Seek(0, io.SeekCurrent)
		canSeek = err == nil
	}
	m, err := im.read(r, 0)
	if over, ok := errors.AsType[*OverlapError](err); ok && canSeek {
		return nil, nameOverlap(seeker, from, name, over, im.again)
	}
	return m, err
}

// importer reads the lines of a list by a recipe.
type importer struct {
	rec    *Recipe
	size   int64 // of the drive; 0 where not known
	sep    *separator
	marks  [][]byte // of comments
	fields []field
	// indexes of the columns in a line, -1 for none; of a list of fixed
	// places they only tell that there is one
	start, length, end, state int

	unit   int64
	listed State // of lines without a state column
	rest   State
	words  map[string]State
	group  int // the character, -1 for none

	// word, where it is set, is asked for the meaning of words; bad, whether
	// a line that is no range is to be left out. Both are for learning.
	word func(word []byte) (State, string)
	bad  func(line []byte) bool

	*Lines
}

func newImporter(rec *Recipe, name string, size int64) (*importer, error) {
	if err := rec.Validate(); err != nil {
		return nil, fmt.Errorf("map recipe: %w", err)
	}
	im := &importer{rec: rec, Lines: NewLines(nil, listKind, name), size: size, words: rec.Words, group: -1}
	im.sep, _ = parseSeparator(rec.Separator)
	im.sep.merge = rec.Merge
	if rec.Quote != "" {
		im.sep.quote = rec.Quote[0]
	}
	if rec.Group != "" {
		im.group = int(rec.Group[0])
	}
	comments := rec.Comments
	if comments == nil {
		comments = []string{"#"}
	}
	for _, c := range comments {
		im.marks = append(im.marks, []byte(c))
	}
	im.unit, _ = rec.unit()
	im.listed, _ = ParseState(rec.Listed)
	im.rest = Skipped
	if rec.Rest != "" {
		im.rest, _ = ParseState(rec.Rest)
	}
	if im.rest != Skipped && size <= 0 {
		return nil, fmt.Errorf("map recipe: takes what is not listed as %s, so the size of the drive must be known: give --drive-size BYTES", im.rest)
	}
	if len(im.words) == 0 {
		im.words = map[string]State{"read": Read, "doubtful": Doubtful, "skipped": Skipped, "failed": Failed}
	}
	most := 0
	for _, c := range []struct {
		at *int
		Column
	}{{&im.start, rec.Start}, {&im.length, rec.Length}, {&im.end, rec.End}, {&im.state, rec.State}} {
		*c.at = c.From - 1
		most = max(most, c.From)
	}
	if !im.sep.fixed {
		im.fields = make([]field, most)
	}
	return im, nil
}

// again reads the same list from its start.
func (im *importer) again(r io.Reader) lineReader {
	next := *im
	next.Lines = NewLines(r, listKind, im.Name)
	return &next
}

// read reads a list of about length bytes; 0 where that is not known.
func (im *importer) read(r io.Reader, length int64) (*Map, error) {
	im.Lines = NewLines(r, listKind, im.Name)
	m := &Map{}
	err := im.each(func(rg Range) bool {
		m.add(rg, im.Seen, length)
		return true
	})
	if err != nil {
		return nil, err
	}
	if err := m.settleWith(im.rest, im.size); err != nil {
		return nil, fmt.Errorf("imaging map %s: %w", im.Name, err)
	}
	return m, nil
}

func (im *importer) each(yield func(Range) bool) error {
	for {
		text, err := im.Next()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		if im.Line <= im.rec.Skip || im.isComment(text) {
			continue
		}
		rg, what := im.parse(text)
		if what != "" {
			if im.bad != nil && im.bad(text) {
				continue
			}
			return im.Errorf("%s", what)
		}
		if !yield(rg) {
			return nil
		}
	}
}

// isComment reports whether a line is to be left out: a comment, or blank.
func (im *importer) isComment(text []byte) bool {
	for len(text) > 0 && text[0] <= ' ' {
		text = text[1:]
	}
	if len(text) == 0 {
		return true
	}
	for _, mark := range im.marks {
		if text[0] == mark[0] && bytes.HasPrefix(text, mark) {
			return true
		}
	}
	return false
}

// parse reads one line; what says what is wrong with it, "" for nothing.
func (im *importer) parse(text []byte) (r Range, what string) {
	var n int
	if !im.sep.fixed {
		if n = im.sep.cut(text, im.fields); n < len(im.fields) {
			return Range{}, fmt.Sprintf("has %d fields and should have %d, or is it a comment or header (see comments and skip of the recipe)? %q", n, len(im.fields), Clip(trim(text)))
		}
	}
	start, what := im.number(im.column(text, im.start, im.rec.Start), "start")
	if what != "" {
		return Range{}, what
	}
	size := int64(1)
	switch {
	case im.length >= 0:
		if size, what = im.number(im.column(text, im.length, im.rec.Length), "length"); what != "" {
			return Range{}, what
		}
	case im.end >= 0:
		end, what := im.number(im.column(text, im.end, im.rec.End), "end")
		if what != "" {
			return Range{}, what
		}
		if im.rec.Inclusive {
			end++
		}
		if size = end - start; size < 0 {
			return Range{}, fmt.Sprintf("ends at %d, before its start %d", end, start)
		}
	}
	if start > maxOffset/im.unit || size > maxOffset/im.unit || start*im.unit > maxOffset-size*im.unit {
		return Range{}, fmt.Sprintf("range of %d units of %d bytes from %d ends past what any drive holds", size, im.unit, start)
	}
	r = Range{start*im.unit + im.rec.Offset, size * im.unit, im.listed}
	if r.Start < 0 {
		return Range{}, fmt.Sprintf("starts at byte %d, before the drive (the recipe's offset is %d)", r.Start, im.rec.Offset)
	}
	if r.Start > maxOffset-r.Length {
		return Range{}, fmt.Sprintf("range of %d bytes from %d ends past what any drive holds", r.Length, r.Start)
	}
	if im.size > 0 && r.End() > im.size {
		if r.Start > im.size || r.End()-im.size >= im.unit {
			return Range{}, fmt.Sprintf("range ends at byte %d, past the end of the drive at %d; is the unit of the numbers right, or the drive larger than its image (say so with --drive-size)?", r.End(), im.size)
		}
		r.Length = im.size - r.Start // the drive's end cuts the last block
	}
	if im.state >= 0 {
		if r.State, what = im.meaning(im.column(text, im.state, im.rec.State)); what != "" {
			return Range{}, what
		}
	}
	return r, ""
}

// column is the text of a column.
func (im *importer) column(text []byte, i int, c Column) []byte {
	if im.sep.fixed {
		return c.place(text)
	}
	f := im.fields[i]
	if c.To == ToEnd {
		return trim(text[f.a:])
	}
	return text[f.a:f.z]
}

// meaning is the state that a word stands for.
func (im *importer) meaning(word []byte) (State, string) {
	if im.word != nil {
		return im.word(word)
	}
	if s, ok := im.words[string(word)]; ok {
		return s, ""
	}
	text := wordText(word)
	if s, ok := im.words[text]; ok {
		return s, ""
	}
	clipped := Clip([]byte(text))
	return 0, fmt.Sprintf("the state word %q has no meaning in the recipe: give it one (--map-words '%s=STATE')", clipped, clipped)
}

// number reads a number of units.
func (im *importer) number(digits []byte, name string) (int64, string) {
	v, ok, large := parseUint(digits, im.rec.Radix, im.group)
	switch {
	case large:
		return 0, fmt.Sprintf("%s %q is more than any drive holds", name, Clip(digits))
	case ok:
		return v, ""
	case len(digits) == 0:
		return 0, name + " is missing"
	case digits[0] == '-':
		return 0, fmt.Sprintf("%s %q is negative", name, Clip(digits))
	}
	return 0, fmt.Sprintf("%s %q is no number (radix %s)", name, Clip(digits), radixName(im.rec.Radix))
}

func radixName(radix int) string {
	if radix == 0 {
		return "10, or 16 after 0x"
	}
	return fmt.Sprint(radix)
}

// parseUint reads a number of the given radix, 0 for decimal and hexadecimal
// after 0x; group is a character that may stand between digits, or -1. Radix
// 16 allows 0x before or h behind.
func parseUint(digits []byte, radix, group int) (v int64, ok, large bool) {
	base := int64(radix)
	prefixed := len(digits) > 2 && digits[0] == '0' && digits[1]|0x20 == 'x'
	if radix == 0 {
		if base = 10; prefixed {
			base = 16
		}
	}
	if base == 16 {
		if prefixed {
			digits = digits[2:]
		} else if n := len(digits) - 1; n > 0 && digits[n]|0x20 == 'h' {
			digits = digits[:n]
		}
	}
	if len(digits) == 0 {
		return 0, false, false
	}
	for i, c := range digits {
		d := int64(16)
		switch {
		case '0' <= c && c <= '9':
			d = int64(c - '0')
		case 'a' <= c|0x20 && c|0x20 <= 'f':
			d = int64(c|0x20-'a') + 10
		case int(c) == group && i > 0 && i < len(digits)-1:
			continue
		}
		if d >= base {
			return 0, false, false
		}
		if v > (math.MaxInt64-d)/base {
			v, large = 0, true // but what follows may still be no digit
		}
		v = v*base + d
	}
	if large || v > maxOffset {
		return 0, false, true
	}
	return v, true, false
}

// settleWith is settle for a list whose unlisted rest, up to size, has a
// state of its own.
func (m *Map) settleWith(rest State, size int64) error {
	if rest == Skipped {
		return m.settle()
	}
	if err := m.list.Settle(); err != nil {
		return err
	}
	var out Map
	for r, s := range m.list.All() {
		out.emit(Range{out.end, r.Start - out.end, rest})
		out.emit(Range{r.Start, r.Len(), s})
	}
	out.emit(Range{out.end, size - out.end, rest})
	*m = out
	return nil
}

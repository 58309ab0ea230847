package imap

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"unicode/utf8"
)

// LearnOptions are what is known beside the list itself.
type LearnOptions struct {
	Size   int64  // bytes of the drive; 0 where not known
	Image  Source // the image, to see what stands under each word; nil for none
	Sector int64  // bytes a sector, for Image; 0 is 512
}

// Learnt is what could be worked out of an unknown list.
type Learnt struct {
	// Sure is set where exactly one reading explains the list: its ranges
	// tile the drive from its first byte to its last, no two overlap, the
	// list's own numbers prove that this is no chance, and every other reading
	// fails at that. The meaning of words is never sure.
	Sure bool `json:"sure"`
	// Best is the best reading, nil if no reading makes ranges of the list.
	Best *Reading `json:"best,omitempty"`
	// Others would fit too: as well, or less well, the best first.
	Others []*Reading `json:"others,omitempty"`
	// Words are the state words of the best reading, in order of bytes.
	Words []Word `json:"words,omitempty"`
	// Open says why the guesses at what words mean cannot be accepted; "" if
	// they can.
	Open string `json:"open,omitempty"`
	// Why says in words what speaks for the best reading, and what is open.
	Why []string `json:"why"`
}

// Reading is one way to read a list.
type Reading struct {
	Recipe  *Recipe `json:"recipe"`
	Ranges  int     `json:"ranges"`
	End     int64   `json:"end"`               // bytes, past the last range
	Gaps    int     `json:"gaps"`              // between ranges, and before the first
	Covered int64   `json:"covered"`           // bytes
	EndsAt  string  `json:"ends_at,omitempty"` // what the end agrees with, in words

	stateSure bool   // the state column is
	stateWhy  string // what is open about it
	words     []wordCount
	print     uint64 // of the ranges in units: equal for readings that say the same
	rank      int
	low       int64 // all numbers of the ranges, or-ed
	ones      bool  // its ranges are single blocks
	junk      int   // columns of its lines that are rather separators

	placed placed
	bits   float64 // what its joints and its end prove, see learnproof.go
	bare   bool    // its lines hold a number, a state, and the same in every line
	values []int64 // that stand in every line, or in a line that is left out
}

// tiles reports whether the ranges leave no gap.
func (r *Reading) tiles() bool { return r.Gaps == 0 && r.Ranges > 0 }

// Word is a state word of a list.
type Word struct {
	Word   string   `json:"word"`
	Ranges int      `json:"ranges"`
	Bytes  int64    `json:"bytes"`
	Under  *Content `json:"under,omitempty"` // what the image holds there
	Guess  State    `json:"guess"`           // never applied unless a person accepts it
	Reason string   `json:"reason"`
}

// Bounds of what learning looks at.
const (
	learnBytes    = 1 << 20 // of the list's head, to find out its form
	learnLines    = 500
	learnReadings = 24 // that are tried on the whole list
	maxWords      = 24 // that a column of states may have
	maxOthers     = 8
	minSure       = 3 // ranges that a list must have for a reading to be sure
)

// ErrUnlearnable says that no reading makes ranges of a list.
var ErrUnlearnable = errors.New("no reading makes ranges of it: no column holds numbers that could be places of ranges that do not overlap")

// Learn works out how a list is to be read from its own numbers. It tries
// what columns, radix and unit could be; the right reading is the one by which
// ranges tile without overlap and end where the drive does. The size of the
// drive is that of o, or one of the usual capacities ([UsualCapacity]).
// Nothing in it is written for any particular list. Where several readings fit
// it says so: that is no error.
func Learn(ctx context.Context, path string, o LearnOptions) (*Learnt, error) {
	f, _, err := openMap(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	head, err := readHead(f, path)
	if err != nil {
		return nil, err
	}
	readings := candidates(head)
	slices.SortStableFunc(readings, func(a, b *Reading) int { return cmp.Compare(b.rank, a.rank) })
	if len(readings) > learnReadings {
		readings = readings[:learnReadings]
	}
	l := &Learnt{}
	var whole []*Reading
	for _, r := range readings {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		ok, err := r.tryAll(f, path)
		if err != nil {
			return nil, err
		}
		same := func(x *Reading) bool { return x.print == r.print }
		if ok && !slices.ContainsFunc(whole, same) {
			whole = append(whole, r)
		}
	}
	if len(whole) == 0 {
		l.Why = []string{ErrUnlearnable.Error()}
		return l, nil
	}
	for _, r := range whole {
		if len(head) == learnLines {
			if err := r.overLines(f, path, nil, r.confirm); err != nil {
				return nil, err
			}
		}
		if r.ones {
			if err := r.findBare(f, path); err != nil {
				return nil, err
			}
		}
	}
	l.judge(whole, o.Size)
	if err := l.weighWords(ctx, f, path, o); err != nil {
		return nil, err
	}
	l.Best.Recipe.Listed = "" // it was there to try them; what the lines list is open
	for _, r := range l.Others {
		r.Recipe.Listed = ""
	}
	return l, nil
}

// readHead reads the first lines of a list: at most 500, without blank ones.
func readHead(f *os.File, path string) ([]headLine, error) {
	data, err := io.ReadAll(io.LimitReader(f, learnBytes))
	if err != nil {
		return nil, fmt.Errorf("imaging map %s: %w", path, err)
	}
	if bytes.HasPrefix(data, []byte("\xff\xfe")) || bytes.HasPrefix(data, []byte("\xfe\xff")) {
		return nil, &LineError{listKind, path, 1, "is UTF-16 text: save the list as UTF-8"}
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	if i := bytes.IndexByte(data, 0); i >= 0 {
		return nil, &LineError{listKind, path, bytes.Count(data[:i], []byte("\n")) + 1, "holds zero bytes: this is no text, and so no list"}
	}
	if len(data) >= learnBytes {
		data = data[:bytes.LastIndexByte(data, '\n')+1] // whole lines only
	}
	var lines []headLine
	for n := 1; len(data) > 0 && len(lines) < learnLines; n++ {
		text, rest, _ := bytes.Cut(data, []byte("\n"))
		if len(text) >= maxLine {
			return nil, &LineError{listKind, path, n, "is longer than 64 KiB: this is no list of ranges"}
		}
		if data = rest; len(trim(text)) > 0 {
			lines = append(lines, headLine{n, text})
		}
	}
	if len(lines) == 0 {
		return nil, &LineError{listKind, path, 0, "holds no line: there is nothing to learn from"}
	}
	return lines, nil
}

// headLine is a line of the list's head.
type headLine struct {
	number int // from 1
	text   []byte
}

// tryAll reads the whole list by the reading, in units of 1, and reports
// whether it makes ranges that do not overlap.
func (r *Reading) tryAll(f *os.File, path string) (bool, error) {
	marks := len(r.Recipe.Comments)
	ok, err := r.tryOnce(f, path)
	if !ok || err != nil || len(r.Recipe.Comments) == marks {
		return ok, err
	}
	// marks were found on the way: no line before may begin with them
	r.Recipe.Offset = 0
	n, print := r.Ranges, r.print
	r.Ranges, r.Gaps, r.Covered = 0, 0, 0
	ok, err = r.tryOnce(f, path)
	return ok && r.Ranges == n && r.print == print, err
}

func (r *Reading) tryOnce(f *os.File, path string) (bool, error) {
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return false, fmt.Errorf("imaging map %s: %w", path, err)
	}
	im, err := newImporter(r.Recipe, path, 0)
	if err != nil {
		return false, nil // it cannot be meant so
	}
	im.Lines = NewLines(f, listKind, path)
	im.bad = func(line []byte) bool {
		mark := markOf(line)
		if mark == "" || len(r.Recipe.Comments) >= 8 {
			return false
		}
		r.Recipe.Comments = append(r.Recipe.Comments, mark)
		im.marks = append(im.marks, []byte(mark))
		return true
	}
	counts := wordCounts{at: map[string]int{}}
	im.word = counts.note
	m := &Map{}
	err = im.each(func(rg Range) bool {
		counts.add(rg)
		rg.State = Read
		r.Ranges++
		m.append(rg) // neighbours join: that keeps this small
		return true
	})
	if _, bad := errors.AsType[*LineError](err); bad {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	if m.settle() != nil || r.Ranges == 0 || m.end == 0 {
		return false, nil
	}
	if _, ok, next := m.list.At(0); m.Len() == 1 && !ok && next == 1 {
		r.Recipe.Offset = -1 // counted from 1; withUnits makes it bytes
		m = All(m.end - 1)
	}
	r.words = counts.list
	if r.Recipe.State.From != 0 && counts.many {
		r.stateSure, r.stateWhy = false, "the column of states has more than 24 words"
	}
	r.End = m.end
	pos := int64(0)
	for rg := range m.Ranges() {
		if rg.Start > pos {
			r.Gaps++
		}
		r.Covered += rg.Length
		pos = rg.End()
	}
	r.print, r.low = counts.print, counts.low
	r.bits = counts.bits()
	return true, nil
}

// overLines gives use the lines of data of the whole list, and left those that
// are left out; nil where nobody asks.
func (r *Reading) overLines(f *os.File, path string, left func([]byte), use func(next func() (line []byte, ok bool))) error {
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return fmt.Errorf("imaging map %s: %w", path, err)
	}
	im, err := newImporter(r.Recipe, path, 0)
	if err != nil {
		return err
	}
	lines := bufio.NewReaderSize(f, maxLine)
	number := 0
	var failed error
	use(func() ([]byte, bool) {
		for {
			text, err := lines.ReadSlice('\n')
			if err != nil && err != io.EOF {
				failed = fmt.Errorf("imaging map %s: %w", path, err)
				return nil, false
			}
			number++
			if number > r.Recipe.Skip && !im.isComment(text) {
				return text, true
			}
			if left != nil {
				left(text)
			}
			if err == io.EOF {
				return nil, false
			}
		}
	})
	return failed
}

// markOf is what could mark a line as a comment: the characters that are no
// letters and digits at its start, or its first word.
func markOf(line []byte) string {
	line = trim(line)
	n := 0
	for n < len(line) && n < 3 && isMark(line[n]) && (n == 0 || line[n] == line[0]) {
		n++
	}
	if n > 0 {
		return string(line[:n])
	}
	for n < len(line) && line[n] > ' ' && !isMark(line[n]) && !('0' <= line[n] && line[n] <= '9') {
		n++
	}
	mark := string(line[:n])
	if i := strings.IndexRune(mark, utf8.RuneError); i >= 0 {
		mark = mark[:i] // a recipe is UTF-8; what stands before marks the line too
	}
	return mark
}

// wordCounts counts the state words of a list.
type wordCounts struct {
	at    map[string]int // by word and by its bytes in the list
	list  []wordCount
	last  int    // index of the word of the line in hand
	many  bool   // there are more words than a column of states has
	print uint64 // of the ranges
	low   int64  // their starts and lengths, or-ed
	joints
}

type wordCount struct {
	word   string
	ranges int
	units  int64
}

func (c *wordCounts) note(word []byte) (State, string) {
	i, ok := c.at[string(word)]
	if !ok {
		text := wordText(word)
		if i, ok = c.at[text]; !ok {
			if len(c.list) == maxWords {
				c.many = true
				c.last = 0
				return Read, ""
			}
			i = len(c.list)
			c.at[text] = i
			c.list = append(c.list, wordCount{word: text})
		}
		c.at[string(word)] = i
	}
	c.last = i
	return Read, ""
}

func (c *wordCounts) add(rg Range) {
	if len(c.list) > 0 {
		c.list[c.last].ranges++
		c.list[c.last].units += rg.Length
	}
	c.print = fold(c.print, rg)
	c.low |= rg.Start | rg.Length
	c.joints.add(rg)
}

// fold adds a range to a sum over ranges, by which lists are told apart (FNV-1a
// over numbers).
func fold(sum uint64, rg Range) uint64 {
	sum = (sum ^ uint64(rg.Start)) * 1099511628211
	return (sum ^ uint64(rg.Length)<<1 ^ 1<<63) * 1099511628211
}

// judge orders the readings, gives each its unit, and says whether one is sure.
func (l *Learnt) judge(whole []*Reading, size int64) {
	var all []*Reading
	for _, r := range whole {
		all = append(all, r.withUnits(size)...)
	}
	full := func(r *Reading) bool { return r.tiles() && r.EndsAt != "" }
	quality := func(r *Reading) int {
		switch {
		case r.ones && r.proven() != "":
			return -1 // numbers of lines do as well
		case full(r):
			return 4
		case r.tiles() && r.plausible():
			return 3
		case r.tiles():
			return 2
		case r.EndsAt != "":
			return 1
		}
		return 0
	}
	slices.SortStableFunc(all, func(a, b *Reading) int {
		q := quality(a)
		by := cmp.Or(cmp.Compare(quality(b), q), cmp.Compare(b.rank, a.rank))
		if by == 0 && q <= 1 { // nothing proves either: what says more of the drive goes first
			by = cmp.Compare(b.Covered/b.unit(), a.Covered/a.unit())
		}
		return by
	})
	l.Best = all[0]
	if !l.Best.ones {
		// a list of ranges is not one of single blocks with lengths beside them
		all = slices.DeleteFunc(all, func(r *Reading) bool { return r.ones && !full(r) })
	}
	for _, r := range all[1:] {
		worse := full(l.Best) && !full(r) || l.Best.tiles() && !r.tiles()
		if worse && (l.Best.ones && r.ones || !l.Best.rivals(r, size)) {
			continue // it explains nothing that the best does not
		}
		if l.Others = append(l.Others, r); len(l.Others) == maxOthers {
			break
		}
	}
	b := l.Best
	say := func(format string, a ...any) { l.Why = append(l.Why, fmt.Sprintf(format, a...)) }
	switch {
	case b.tiles():
		say("the ranges tile without gap or overlap from 0 to %d", b.End)
	default:
		say("no two ranges overlap, but %d places are not listed; so nothing in the list proves this reading", b.Gaps)
	}
	if b.EndsAt != "" {
		say("they end at %s", b.EndsAt)
	} else if size > 0 {
		say("they end at %d, which is not the drive's size of %d", b.End, size)
	} else {
		say("the drive's size is not known, and %d is no usual capacity: give --image or --drive-size to tell the unit", b.End)
	}
	if len(l.Others) > 0 {
		say("%d other reading(s) would fit too", len(l.Others))
	}
	if !b.stateSure {
		say("%s", b.stateWhy)
	}
	if b.Ranges < minSure {
		say("a list of %d ranges proves little", b.Ranges)
	}
	unproven := b.proven()
	if full(b) && unproven != "" {
		say("%s", unproven)
	}
	l.Sure = full(b) && len(l.Others) == 0 && b.stateSure && b.Ranges >= minSure && unproven == ""
}

// plausible reports whether the unit is the likelier of those that are open:
// what counts bytes counts whole sectors of them.
func (r *Reading) plausible() bool {
	if r.low%512 == 0 {
		return r.Recipe.Unit == ""
	}
	return r.Recipe.Unit == "sectors"
}

// withUnits are the reading with each unit by which it ends at the drive's
// size or a usual capacity; or, where there is none, with those that it may
// have.
func (r *Reading) withUnits(size int64) []*Reading {
	var out []*Reading
	add := func(unit int64, ends string) {
		n := *r
		rec := *r.Recipe
		n.Recipe = &rec
		if rec.Offset != 0 { // counted from 1
			rec.Offset = -unit
		}
		switch {
		case unit == 1:
		case unit == 512:
			rec.Unit = "sectors"
		default:
			rec.Unit, rec.Block = "blocks", unit
		}
		n.End, n.Covered, n.EndsAt = r.End*unit, r.Covered*unit, ends
		if size > 0 && n.End > size {
			n.End = size // the drive's end cuts the last block
		}
		n.words = slices.Clone(r.words)
		for i := range n.words {
			n.words[i].units *= unit
		}
		out = append(out, &n)
	}
	units := []int64{1}
	for u := int64(128); u <= 1<<20; u *= 2 {
		units = append(units, u)
	}
	for _, u := range units {
		if r.End > maxOffset/u {
			break
		}
		end := r.End * u
		switch {
		case size > 0 && (end == size || end > size && end < size+u && r.End >= 1000):
			add(u, fmt.Sprintf("the drive's size of %d bytes", size))
		case size == 0 && (u == 1 || u >= 512):
			if c, ok := UsualCapacity(end); ok {
				add(u, fmt.Sprintf("a usual capacity, %d GB", c.Gigabytes))
			}
		}
	}
	if len(out) > 0 {
		return out
	}
	for _, u := range []int64{1, 512, 1024, 4096} {
		if r.End <= maxOffset/u && (size == 0 || r.End*u < size+u) {
			add(u, "")
		}
	}
	if len(out) == 0 {
		add(1, "")
		out[0].End = r.End // past the drive's end
	}
	return out
}

// String is the reading in one line.
func (r *Reading) String() string {
	rec := r.Recipe
	var b strings.Builder
	fmt.Fprintf(&b, "start in column %v", rec.Start)
	switch {
	case rec.Length.From != 0:
		fmt.Fprintf(&b, ", length in %v", rec.Length)
	case rec.End.From != 0 && rec.Inclusive:
		fmt.Fprintf(&b, ", end (the last of the range) in %v", rec.End)
	case rec.End.From != 0:
		fmt.Fprintf(&b, ", end (the first past the range) in %v", rec.End)
	default:
		b.WriteString(", single blocks")
	}
	if rec.State.From != 0 {
		fmt.Fprintf(&b, ", state in %v", rec.State)
	}
	fmt.Fprintf(&b, "; radix %s; ", radixName(rec.Radix))
	switch rec.Unit {
	case "":
		b.WriteString("bytes")
	case "sectors":
		b.WriteString("sectors of 512 bytes")
	default:
		fmt.Fprintf(&b, "blocks of %d bytes", rec.Block)
	}
	if rec.Offset != 0 {
		b.WriteString(" counted from 1")
	}
	fmt.Fprintf(&b, "; %d ranges to %d", r.Ranges, r.End)
	return b.String()
}

package imap

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Bounds of the columns of a line that are looked at.
const (
	maxLearnColumns = 24
	maxNumeric      = 10     // that hold numbers
	maxTries        = 50_000 // roles that are given to columns, in all forms
)

// candidates are the readings that the head of a list allows, those that say
// the same of it only once. A higher rank is a simpler reading.
func candidates(head []headLine) []*Reading {
	var out []*Reading
	seen := map[uint64]int{}
	shared := &learning{tries: maxTries, settled: map[uint64]bool{}}
	for _, form := range forms(head) {
		table := cutAll(head, form)
		table.learning = shared
		for _, r := range table.readings() {
			i, ok := seen[r.print]
			switch {
			case !ok:
				seen[r.print] = len(out)
				out = append(out, r)
			case r.stateSure && !out[i].stateSure, r.stateSure == out[i].stateSure && r.junk < out[i].junk:
				out[i] = r
			}
		}
	}
	return out
}

// forms are the ways in which the lines could be cut, the simplest first: by
// each mark that many lines have, by two of them, by blanks, and by these and
// blanks.
func forms(head []headLine) []Recipe {
	var in [256]int // lines that have the byte
	var quotes [256]int
	for _, l := range head {
		var has [256]bool
		for _, c := range l.text {
			has[c] = true
		}
		for c := range has {
			if has[c] {
				in[c]++
			}
		}
		for _, q := range []byte(`"'`) {
			if bytes.Count(l.text, []byte{q}) >= 2 {
				quotes[q]++
			}
		}
	}
	quote := ""
	for _, q := range []byte(`"'`) {
		if 3*quotes[q] > len(head) {
			quote = string(q)
			break
		}
	}
	var marks []byte
	for c := range 256 {
		if (c == '\t' || isMark(byte(c)) && string(rune(c)) != quote && c != '#') && 3*in[c] > len(head) {
			marks = append(marks, byte(c))
		}
	}
	slices.SortStableFunc(marks, func(a, b byte) int { return cmp.Compare(in[b], in[a]) })
	if len(marks) > 6 {
		marks = marks[:6]
	}
	var out []Recipe
	add := func(sep string, merge bool) {
		switch sep {
		case ",":
			sep = ""
		case "\t":
			sep = "tab"
		case " ":
			sep = "blanks"
		}
		out = append(out, Recipe{Separator: sep, Merge: merge, Quote: quote, Comments: []string{}})
	}
	for _, m := range marks {
		add(string(m), false)
	}
	add(" ", false)
	var sets []string
	for i, m := range marks {
		sets = append(sets, string(m)+" ")
		for _, n := range marks[i+1:] {
			sets = append(sets, string([]byte{m, n}), string([]byte{m, n, ' '}))
		}
	}
	if len(marks) > 2 {
		sets = append(sets, string(marks)+" ", string(marks))
	}
	for _, s := range sets {
		add(s, false)
	}
	for _, m := range marks {
		add(string(m), true)
	}
	for _, s := range sets {
		add(s, true)
	}
	return out
}

// learning is what the tries of one list share.
type learning struct {
	tries   int             // that are left
	settled map[uint64]bool // prints of readings that cannot be bettered
	ranges  []Range         // room for those of a try
}

// table is the head of a list cut into fields.
type table struct {
	form Recipe
	rows []row
	*learning
	junk int // columns that hold the same marks in most lines: separators, rather
}

type row struct {
	headLine
	fields []field
}

func cutAll(head []headLine, form Recipe) *table {
	t := &table{form: form}
	sep, err := parseSeparator(form.Separator)
	if err != nil {
		return t
	}
	sep.merge = form.Merge
	if form.Quote != "" {
		sep.quote = form.Quote[0]
	}
	var dst [maxLearnColumns + 1]field
	for _, l := range head {
		n := sep.cut(l.text, dst[:])
		t.rows = append(t.rows, row{l, slices.Clone(dst[:n])})
	}
	for c := range maxLearnColumns {
		marks := map[string]int{}
		for _, r := range t.rows {
			if c < len(r.fields) && !bytes.ContainsFunc(r.text(c), func(x rune) bool { return x > 0x7f || !isMark(byte(x)) }) {
				marks[string(r.text(c))]++
			}
		}
		for _, n := range marks {
			if 10*n >= 9*len(t.rows)-40 && 2*n > len(t.rows) {
				t.junk++
			}
		}
	}
	return t
}

func (r row) text(c int) []byte { return r.headLine.text[r.fields[c].a:r.fields[c].z] }

// readings are all roles that the columns could have, as far as they make
// ranges of the head that do not overlap.
func (t *table) readings() []*Reading {
	var out []*Reading
	for _, radix := range []int{0, 16, 8} {
		cols, values := t.numeric(radix)
		for _, start := range cols {
			for _, other := range cols {
				if other == start {
					continue
				}
				for kind := range 3 {
					rec := t.form
					rec.Radix, rec.Start = radix, Column{From: start + 1}
					switch kind {
					case 0:
						rec.Length = Column{From: other + 1}
					case 1:
						rec.End = Column{From: other + 1}
					case 2:
						rec.End, rec.Inclusive = Column{From: other + 1}, true
					}
					out = t.tryHead(out, rec, &values)
				}
			}
			rec := t.form
			rec.Radix, rec.Start = radix, Column{From: start + 1}
			out = t.tryHead(out, rec, &values)
		}
	}
	return out
}

// numbers are the values of a column in each row, -1 where it holds no number.
type numbers []int64

// numeric gives the columns that hold numbers of the radix in most lines.
func (t *table) numeric(radix int) (cols []int, values [maxLearnColumns]numbers) {
	for c := range maxLearnColumns {
		n, digits := 0, 0
		vals := make(numbers, len(t.rows))
		for i, r := range t.rows {
			vals[i] = -1
			if c >= len(r.fields) {
				continue
			}
			text := r.text(c)
			if v, ok, _ := parseUint(text, radix, -1); ok && v < 1<<58 {
				vals[i] = v
				n++
				if bytes.ContainsAny(text, "0123456789") {
					digits++
				}
			}
		}
		if 5*n >= 2*len(t.rows) && 2*digits >= n && n > 0 && len(cols) < maxNumeric {
			cols = append(cols, c)
			values[c] = vals
		}
	}
	return cols, values
}

// tryHead adds to out the reading that rec makes of the head, if it makes one.
func (t *table) tryHead(out []*Reading, rec Recipe, values *[maxLearnColumns]numbers) []*Reading {
	if t.tries == 0 {
		return out
	}
	t.tries--
	starts, others := values[rec.Start.From-1], numbers(nil)
	if c := rec.Length.From + rec.End.From; c > 0 { // one of them is 0
		others = values[c-1]
	}
	ranges := t.ranges[:0]
	ones := true // every range is one unit
	print, reach := uint64(0), int64(0)
	for i, start := range starts {
		length := int64(1)
		if start < 0 || others != nil && others[i] < 0 {
			continue
		}
		if others != nil {
			length = others[i]
			if rec.End.From != 0 {
				if rec.Inclusive {
					length++
				}
				if length -= start; length < 0 {
					return out
				}
			}
		}
		rg := Range{start, length, Read}
		if n := len(ranges); n > 0 { // most readings fail at their first neighbours
			if last := ranges[n-1]; start < last.End() && last.Start < rg.End() {
				return out
			}
		}
		ranges = append(ranges, rg)
		ones = ones && length <= 1
		print, reach = fold(print, rg), max(reach, rg.End())
	}
	t.ranges = ranges
	if reach == 0 || 5*len(ranges) < 2*len(t.rows) || t.settled[print] {
		return out
	}
	if ones && (rec.Length.From != 0 || rec.End.From != 0) && len(ranges) > 2 {
		rec.Length, rec.End, rec.Inclusive = Column{}, Column{}, false // says no more than the start
		others = nil
	}
	m, err := New(ranges)
	if err != nil {
		return out
	}
	var data, rest []row
	for i, r := range t.rows {
		if starts[i] < 0 || others != nil && others[i] < 0 {
			rest = append(rest, r)
		} else {
			data = append(data, r)
		}
	}
	if len(data) != len(ranges) {
		return out // a line that says where, and not how long
	}
	if !leaveOut(&rec, data, rest) {
		return out
	}
	r := &Reading{print: print, placed: place(&rec, data, ranges)}
	r.findState(&rec, data, ranges)
	if rec.State.From == 0 {
		rec.Listed = "read" // so that it can be tried; what they are is open
	}
	r.Recipe, r.ones, r.junk = &rec, ones, t.junk
	if r.stateSure && r.junk == 0 {
		t.settled[print] = true
	}
	// the simplest is best: no gaps, few lines left out, ranges rather than
	// single blocks
	if m.Len() == 1 {
		r.rank += 1000
	}
	r.rank -= len(rest)
	if ones {
		r.rank -= 500
	}
	return append(out, r)
}

// leaveOut sets rec to leave out the lines that are no data: those at the
// start as a number of lines, others by a mark that no line of data begins
// with. It reports whether that can be.
func leaveOut(rec *Recipe, data, rest []row) bool {
	rec.Comments = []string{}
	sep, err := parseSeparator(rec.Separator)
	if err != nil {
		return false
	}
	usable := func(mark string) bool {
		if mark == "" {
			return false
		}
		for _, r := range data {
			if bytes.HasPrefix(trim(r.headLine.text), []byte(mark)) {
				return false
			}
		}
		return true
	}
	first := data[0].number
	for i := len(rest) - 1; i >= 0; i-- {
		text := rest[i].headLine.text
		mark := markOf(text)
		if slices.ContainsFunc(rec.Comments, func(c string) bool { return bytes.HasPrefix(trim(text), []byte(c)) }) {
			continue
		}
		marked := mark != "" && isMark(mark[0]) && !sep.ends(mark[0]) && mark != rec.Quote
		switch {
		case rest[i].number < first && !(marked && usable(mark)):
			rec.Skip = max(rec.Skip, rest[i].number)
		case usable(mark) && len(rec.Comments) < 8:
			rec.Comments = append(rec.Comments, mark)
		default:
			return false
		}
	}
	return true
}

// findState sets the column of the state words, if there is one; stateSure is
// false where another could be meant, and stateWhy says so in words.
func (r *Reading) findState(rec *Recipe, data []row, ranges []Range) {
	width, same := len(data[0].fields), true
	for _, r := range data {
		same = same && len(r.fields) == width
		width = min(width, len(r.fields))
	}
	cols := wordColumns(rec, data, ranges, width)
	r.stateWhy, r.stateSure = chooseState(rec, data, cols, width, same)
	if width > maxLearnColumns {
		r.stateWhy, r.stateSure = fmt.Sprintf("lines have more than %d columns", maxLearnColumns), false
	}
	// What stands beside the state may contradict it: of two columns one may
	// say what was asked of the drive and the other what came of it, and of a
	// drive that gave nothing that is the same in all lines. Where a word is
	// one of ours, nobody is asked what it means.
	chosen := rec.State
	if chosen.From == 0 {
		return
	}
	words := partition(data, chosen)
	for _, c := range cols {
		inState := c.From == chosen.From || chosen.To == ToEnd && c.From > chosen.From
		if says := c.n > 1 || c.texts[0] != ""; inState || !says || words.same(c.part) {
			continue
		}
		if words.own || c.own || !words.refines(c.part) {
			r.stateSure = false
			r.stateWhy = fmt.Sprintf("column %v (%s) and column %v (%s) could both hold the state, and do not agree", chosen, words.list(), c.Column, c.list())
		}
	}
}

// wordColumn is a column that holds few words.
type wordColumn struct {
	Column
	part
	number bool
}

// wordColumns are the columns that could hold states, of the first width ones:
// those that hold few words, and nothing of the ranges.
func wordColumns(rec *Recipe, data []row, ranges []Range, width int) (cols []wordColumn) {
	for c := 1; c <= width; c++ {
		if c == rec.Start.From || c == rec.Length.From || c == rec.End.From {
			continue
		}
		p := partition(data, Column{From: c})
		if p.n > maxWords || p.n > len(data)/2+1 && len(data) >= 10 || len(data) > 1 && explained(rec, data, ranges, c-1) {
			continue
		}
		_, number, _ := parseUint(data[0].text(c-1), rec.Radix, -1)
		if number && p.n == len(data) && slices.ContainsFunc(data, func(r row) bool { return c <= len(r.fields) && len(r.text(c-1)) > 2 }) {
			continue // another size or place
		}
		cols = append(cols, wordColumn{Column{From: c}, p, number})
	}
	// in a list of some length a state comes again, and clocks and serial
	// numbers do not
	again := func(c wordColumn) bool { return c.n > 1 && c.n < len(data) }
	if len(data) >= 6 && slices.ContainsFunc(cols, again) {
		cols = slices.DeleteFunc(cols, func(c wordColumn) bool { return c.n == len(data) })
	}
	return cols
}

// chooseState is findState without what stands beside the column.
func chooseState(rec *Recipe, data []row, cols []wordColumn, width int, same bool) (why string, sure bool) {
	used := max(rec.Start.From, rec.Length.From, rec.End.From)
	if !same { // words of several fields, or remarks behind them
		for from := used + 1; from <= width; from++ {
			if from < width && partition(data, Column{From: from}).n == 1 {
				continue // it says nothing
			}
			toEnd := Column{from, ToEnd}
			if words := partition(data, toEnd); words.n <= maxWords && words.n < len(data) {
				rec.State = toEnd
				return "", true
			}
		}
	}
	if len(cols) == 0 {
		return "no column holds a few words again and again, so what the lines list is not known: only what was read, or only what was not? Say it with listed and rest", false
	}
	// the finest column serves, if it tells apart all that the others do
	finest := -1
	for i, a := range cols {
		ok := true
		for _, b := range cols {
			ok = ok && a.refines(b.part)
		}
		if ok && (finest < 0 || cols[finest].number && !a.number) {
			finest = i
		}
	}
	if finest >= 0 {
		rec.State = cols[finest].Column
		for i, c := range cols {
			if n := cols[finest].n; i != finest && n == len(data) && n > 1 && c.n > 1 {
				return "the list is too short to tell which column holds the state", false // or a clock, or a number
			}
		}
		if cols[finest].n == 1 && len(data) > 1 {
			return "the column of words says the same in all lines, so it may be no state", false
		}
		return notSame(same, rec.State)
	}
	// so do all columns to the end of the line as one
	if cols[0].From > used {
		toEnd := Column{cols[0].From, ToEnd}
		if p := partition(data, toEnd); p.n <= maxWords && p.n <= len(data)/2 {
			rec.State = toEnd
			return "", true
		}
	}
	rec.State = cols[0].Column
	return "several columns could hold the state", false
}

func notSame(same bool, c Column) (string, bool) {
	if same {
		return "", true
	}
	return "lines differ in their number of fields, so that column " + c.String() + " may hold only the start of the state's words", false
}

// part is how a column's words part the lines.
type part struct {
	of    []int // the number of the word of each line, by first appearance
	n     int   // of words
	texts []string
	own   bool // one of the words at least is one of our own
}

// list is the words, the first of them.
func (p part) list() string {
	var b strings.Builder
	for i, w := range p.texts[:min(len(p.texts), 4)] {
		if i > 0 {
			b.WriteString(", ")
		}
		fmt.Fprintf(&b, "%q", Clip([]byte(wordText([]byte(w)))))
	}
	if len(p.texts) > 4 {
		b.WriteString(", ...")
	}
	return b.String()
}

// same reports whether the lines have the same words in p and q.
func (p part) same(q part) bool { return slices.Equal(p.texts, q.texts) && slices.Equal(p.of, q.of) }

func partition(data []row, c Column) part {
	p := part{of: make([]int, len(data))}
	words := map[string]int{}
	for i, r := range data {
		text := r.text(c.From - 1)
		if c.To == ToEnd {
			text = trim(r.headLine.text[r.fields[c.From-1].a:])
		}
		k, ok := words[string(text)]
		if !ok {
			if k = len(words); k > maxWords {
				break // too many for states
			}
			words[string(text)] = k
			p.texts = append(p.texts, string(text))
			_, own := ParseState(string(text))
			p.own = p.own || own
		}
		p.of[i] = k
	}
	p.n = len(words)
	return p
}

// refines reports whether lines of one word in p are of one word in q.
func (p part) refines(q part) bool {
	to := make([]int, p.n)
	for i, k := range p.of {
		if to[k] == 0 {
			to[k] = q.of[i] + 1
		} else if to[k] != q.of[i]+1 {
			return false
		}
	}
	return true
}

// confirm holds the column of states against the whole list, where the head
// was only a part of it: any other column that has few words must not tell
// apart what it does not.
func (r *Reading) confirm(next func() (line []byte, ok bool)) {
	c := r.Recipe.State
	if !r.stateSure || c.To == ToEnd {
		return
	}
	sep, err := parseSeparator(r.Recipe.Separator)
	if err != nil {
		return
	}
	sep.merge = r.Recipe.Merge
	if r.Recipe.Quote != "" {
		sep.quote = r.Recipe.Quote[0]
	}
	var dst [maxLearnColumns]field
	type pair struct{ state, other string }
	words := [maxLearnColumns]map[string]bool{}
	pairs := [maxLearnColumns]map[pair]bool{}
	states := map[string]bool{}
	for i := range words {
		words[i], pairs[i] = map[string]bool{}, map[pair]bool{}
	}
	for {
		line, ok := next()
		if !ok {
			break
		}
		n := sep.cut(line, dst[:])
		if n < c.From {
			continue
		}
		state := line[dst[c.From-1].a:dst[c.From-1].z]
		states[string(state)] = true
		for i := range n {
			if k := i + 1; k == r.Recipe.Start.From || k == r.Recipe.Length.From || k == r.Recipe.End.From || k == c.From || words[i] == nil {
				continue
			}
			other := line[dst[i].a:dst[i].z]
			if !words[i][string(other)] {
				words[i][string(other)] = true
			}
			if p := (pair{string(state), string(other)}); !pairs[i][p] {
				pairs[i][p] = true
			}
			if len(words[i]) > maxWords {
				words[i] = nil // no column of states
			}
		}
	}
	own := false
	for s := range states {
		_, ours := ParseState(s)
		own = own || ours
	}
	agrees := func(pairs map[pair]bool) bool {
		for p := range pairs {
			if p.state != p.other {
				return false
			}
		}
		return true
	}
	for i := range words {
		if len(words[i]) > 0 && len(pairs[i]) > len(states) || own && len(words[i]) > 1 && !agrees(pairs[i]) {
			r.stateSure = false
			r.stateWhy = fmt.Sprintf("column %d could hold the state as well as column %v", i+1, c)
		}
	}
}

package imap

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// A style is one way to write a list; all of it is drawn at random.
type style struct {
	columns   []string
	inclusive bool
	radix     string
	unit      int64
	first     int64 // number of the first unit
	words     [4]string
	sep       string
	quote     string
	header    []string
	footer    string
	remark    string // begins comments between the lines
	shuffled  bool
	aligned   bool
	clock     []Range // when each range was read, and how long that took
}

func pick[T any](rnd *rand.Rand, from ...T) T { return from[rnd.IntN(len(from))] }

func randomStyle(rnd *rand.Rand) style {
	s := style{
		radix: pick(rnd, "%d", "%d", "0x%x", "0x%X", "%x", "%X", "0x%012x", "%012x", "%xh", "%o", "%010d"),
		unit:  pick[int64](rnd, 1, 1, 512, 512, 4096),
		words: pick(rnd,
			[4]string{"fetched", "shaky", "untouched", "torn"},
			[4]string{"+", "~", ".", "!"},
			[4]string{"0", "1", "2", "3"},
			[4]string{"came back", "came back odd", "not yet", "gave up"},
			[4]string{"A", "B", "C", "D"},
			[4]string{"whole", "half", "none", "bad"},
			[4]string{"*", "?", "/", "#"},
		),
		sep:      pick(rnd, ",", ", ", ";", "\t", " ", "  ", " | ", "|", " : ", "/", " -> ", " .. ", "="),
		shuffled: rnd.IntN(4) == 0,
		aligned:  rnd.IntN(3) == 0,
	}
	size := pick(rnd, "length", "end", "end", "both")
	switch size {
	case "length":
		s.columns = []string{"start", "length", "state"}
	case "end":
		s.columns = []string{"start", "end", "state"}
		s.inclusive = rnd.IntN(2) == 0
	case "both":
		s.columns = []string{"start", "end", "length", "state"}
		s.inclusive = rnd.IntN(2) == 0
	}
	for _, more := range []string{"index", "time", "constant", "serial"} {
		if rnd.IntN(5) == 0 {
			s.columns = append(s.columns, more)
		}
	}
	rnd.Shuffle(len(s.columns), func(i, j int) { s.columns[i], s.columns[j] = s.columns[j], s.columns[i] })
	if s.unit > 1 && rnd.IntN(5) == 0 {
		s.first = 1
	}
	if s.sep == "," || s.sep == ";" || s.sep == "\t" {
		s.quote = pick(rnd, "", "", `"`, "'")
	}
	blanks := strings.TrimSpace(s.sep) == ""
	if s.words[0] == "came back" && blanks && s.sep != "\t" {
		// words of several fields can only stand at the end
		s.columns = append(slices.DeleteFunc(s.columns, func(c string) bool { return c == "state" }), "state")
	}
	if s.words[0] == "*" && strings.Contains(s.sep, "/") || s.words[0] == "+" && strings.Contains(s.sep, ".") {
		s.sep = ","
	}
	if s.sep == "/" && slices.Contains(s.columns, "time") || s.sep == " : " && slices.Contains(s.columns, "time") {
		s.sep = ";"
	}
	mark := pick(rnd, "#", ";;", "//", "%", "--")
	for range rnd.IntN(4) {
		s.header = append(s.header, pick(rnd,
			mark+" pass 2 of the drive in bay 7",
			mark,
			"",
			strings.Join(s.columns, s.sep),
			"list of the lighthouse archive",
			"=== areas ===",
		))
	}
	if rnd.IntN(4) == 0 {
		s.remark = mark + " pause"
	}
	if rnd.IntN(5) == 0 {
		s.footer = pick(rnd, mark+" end", "end of list", "total: 5")
	}
	return s
}

// write writes the ranges, which are in units of s.unit, as s does.
func (s style) write(rnd *rand.Rand, ranges []Range) string {
	var rows [][]string
	width := make([]int, len(s.columns))
	for i, r := range ranges {
		start, length := r.Start/s.unit+s.first, r.Length/s.unit
		end := start + length
		if s.inclusive {
			end--
		}
		var row []string
		for k, c := range s.columns {
			f := ""
			switch c {
			case "start":
				f = fmt.Sprintf(s.radix, start)
			case "length":
				f = fmt.Sprintf(s.radix, length)
			case "end":
				f = fmt.Sprintf(s.radix, end)
			case "state":
				f = s.words[r.State]
			case "index":
				f = fmt.Sprint(i + 1)
			case "line":
				f = fmt.Sprint(i)
			case "elapsed":
				f = fmt.Sprint(s.clock[i].Start)
			case "took":
				f = fmt.Sprint(s.clock[i].Length)
			case "time":
				f = fmt.Sprintf("%02d:%02d:%02d", i/3600%24, i/60%60, i%60)
			case "constant":
				f = "bay7"
			case "head": // few words, and nothing to do with the state
				f = fmt.Sprintf("h%d", rnd.IntN(4))
			case "serial":
				f = fmt.Sprintf("n%05d", rnd.IntN(100000))
			}
			f = s.quote + f + s.quote
			width[k] = max(width[k], len(f))
			row = append(row, f)
		}
		rows = append(rows, row)
	}
	if s.shuffled {
		rnd.Shuffle(len(rows), func(i, j int) { rows[i], rows[j] = rows[j], rows[i] })
	}
	var b strings.Builder
	for _, h := range s.header {
		fmt.Fprintln(&b, h)
	}
	for i, row := range rows {
		if s.aligned {
			for k := range row {
				row[k] = fmt.Sprintf("%*s", width[k], row[k])
			}
		}
		fmt.Fprintln(&b, strings.Join(row, s.sep))
		if s.remark != "" && i%7 == 3 {
			fmt.Fprintln(&b, s.remark)
		}
	}
	if s.footer != "" {
		fmt.Fprintln(&b, s.footer)
	}
	return b.String()
}

// tiling draws ranges that tile [0, size) in units, states changing from one
// to the next.
func tiling(rnd *rand.Rand, size, unit int64) []Range {
	n := min(int64(pick(rnd, 3, 6, 9, 12, 20, 40, 60, 90, 120, 200, 700, 900)), size/unit)
	var ranges []Range
	last := Failed
	for pos := int64(0); pos < size; {
		most := max(2*(size-pos)/unit/max(n-int64(len(ranges)), 1), 1)
		length := min((1+rnd.Int64N(most))*unit, size-pos)
		state := pick(rnd, Read, Doubtful, Skipped, Failed)
		if state == last {
			state = (state + 1) % 4
		}
		ranges = append(ranges, Range{pos, length, state})
		pos, last = pos+length, state
	}
	return ranges
}

// Of many styles that no code is written for nearly all are learnt right; the
// rest are told to be ambiguous, and none is learnt wrong and called sure.
func TestLearnCorpus(t *testing.T) {
	rnd := rand.New(rand.NewPCG(21, 22))
	const styles = 300
	dir := t.TempDir()
	right, ambiguous, kinds := 0, 0, map[string]bool{}
	for i := range styles {
		s := randomStyle(rnd)
		kinds[fmt.Sprint(s.columns, s.radix, s.unit, s.words, s.sep, s.quote, s.inclusive)] = true
		size := (1000 + rnd.Int64N(1<<32)) * max(s.unit, 512)
		known := size
		if rnd.IntN(4) == 0 { // a drive of a usual capacity that nobody names
			size, known = (97_696_368+1_953_504*rnd.Int64N(8000))*512, 0
		}
		if s.unit == 4096 {
			size -= size % 4096
			if known == 0 { // only each eighth capacity is whole in such blocks
				known = size
			}
		}
		ranges := tiling(rnd, size, max(s.unit, 512))
		text := s.write(rnd, ranges)
		path := filepath.Join(dir, "list.txt")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		l, err := Learn(t.Context(), path, LearnOptions{Size: known})
		head := strings.Join(strings.SplitN(text, "\n", 12)[:min(11, strings.Count(text, "\n"))], "\n")
		if err != nil {
			t.Errorf("style %d: %v\n%s", i, err, head)
			continue
		}
		if problem := check(l, path, size, ranges); problem != "" {
			if l.Sure {
				t.Errorf("style %d is wrong and sure: %s\n%+v\n%s", i, problem, l.Best.Recipe, head)
			}
			ambiguous++
			t.Logf("style %d is ambiguous: %v %s\n%s", i, l.Why, problem, head)
			continue
		}
		if !l.Sure {
			ambiguous++
			t.Logf("style %d is right and not sure: %v best %v others %v\n%s", i, l.Why, l.Best, l.Others, head)
			continue
		}
		right++
	}
	t.Logf("%d of %d styles (%d different) learnt, %d ambiguous", right, styles, len(kinds), ambiguous)
	if 100*right < 95*styles {
		t.Errorf("only %d of %d styles learnt", right, styles)
	}
}

// check reads the list by the learnt recipe and compares with what was
// written: the same ranges, and no word for two states.
func check(l *Learnt, path string, size int64, ranges []Range) string {
	if l.Best == nil {
		return "nothing learnt"
	}
	im, err := newImporter(l.Best.Recipe, path, size)
	if err != nil {
		return err.Error()
	}
	f, err := os.Open(path)
	if err != nil {
		return err.Error()
	}
	defer f.Close()
	im.Lines = NewLines(f, listKind, path)
	known := map[string]bool{}
	for _, w := range l.Words {
		known[w.Word] = true
	}
	var got []Range
	var words []string
	im.word = func(word []byte) (State, string) {
		words = append(words, string(word))
		if !known[string(word)] {
			return 0, fmt.Sprintf("word %q was not learnt", word)
		}
		return 0, ""
	}
	if err := im.each(func(r Range) bool { got = append(got, r); return true }); err != nil {
		return err.Error()
	}
	if len(got) != len(ranges) || len(words) != len(ranges) {
		return fmt.Sprintf("%d ranges and %d words, want %d", len(got), len(words), len(ranges))
	}
	at := map[int64]Range{}
	for _, r := range ranges {
		at[r.Start] = r
	}
	means := map[string]State{}
	for i, r := range got {
		want, ok := at[r.Start]
		if !ok || want.Length != r.Length {
			return fmt.Sprintf("range %d + %d was not written", r.Start, r.Length)
		}
		if s, ok := means[words[i]]; ok && s != want.State {
			return fmt.Sprintf("word %q means %v and %v", words[i], s, want.State)
		}
		means[words[i]] = want.State
	}
	// words that tell apart what the state does not are no state words
	if len(means) > 16 {
		return fmt.Sprintf("%d words", len(means))
	}
	return ""
}

// Lists that prove no reading are never called sure: with a line missing, cut
// short, of a drive of another size. With a second column of few words, which
// says nothing of the state, what is sure is right.
func TestLearnNeverWrong(t *testing.T) {
	rnd := rand.New(rand.NewPCG(31, 32))
	path := filepath.Join(t.TempDir(), "list.txt")
	sure := 0
	for i := range 240 {
		s := randomStyle(rnd)
		what := [...]string{"hole", "cut", "size", "head"}[i%4]
		unit := max(s.unit, 512)
		size := (1000 + rnd.Int64N(1<<32)) * 4096
		known := size
		ranges := tiling(rnd, size, unit)
		switch what {
		case "hole":
			k := rnd.IntN(len(ranges) - 1)
			ranges = slices.Delete(ranges, k, k+1)
		case "cut":
			ranges = ranges[:len(ranges)-1]
		case "size":
			known += 512
		case "head":
			k := rnd.IntN(len(s.columns))
			s.columns = slices.Insert(s.columns, k, "head")
		}
		if len(ranges) == 0 {
			continue
		}
		text := s.write(rnd, ranges)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		l, err := Learn(t.Context(), path, LearnOptions{Size: known})
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		if !l.Sure {
			continue
		}
		sure++
		if problem := check(l, path, size, ranges); what != "head" || problem != "" {
			t.Errorf("style %d is sure with its %s: %s\n%+v\n%.900s", i, what, problem, l.Best.Recipe, text)
		}
	}
	t.Logf("%d sure", sure)
}

// A list of what was tried, whose ranges do not tile, is never sure by what
// stands beside them and does: numbers of lines, however many blocks they would
// be, tries, and the times at which ranges were read.
func TestLearnBesidePlaces(t *testing.T) {
	rnd := rand.New(rand.NewPCG(51, 52))
	path := filepath.Join(t.TempDir(), "list.txt")
	named := 0
	const lists = 120
	for i := range lists {
		n := pick(rnd, 3, 4, 8, 16, 32, 64, 128, 600)
		size := int64(n) * pick[int64](rnd, 4096, 1<<16, 1<<20)
		s := randomStyle(rnd)
		s.unit, s.first, s.shuffled, s.aligned = pick[int64](rnd, 1, 512), 0, false, false
		s.radix = pick(rnd, "%d", "0x%x", "%010d")
		s.words = pick(rnd, s.words, [4]string{"read", "doubtful", "skipped", "failed"})
		s.columns = slices.Insert(slices.DeleteFunc(s.columns, func(c string) bool { return c == "index" }), 0, "line")
		var what string
		switch i % 4 {
		case 0:
			what = "number of the line"
		case 1:
			what = "number of the line, and a block size that is said"
			s.header = append(s.header, fmt.Sprintf("# block size %d", size/int64(n)))
		case 2:
			what = "number of the line, and one more"
			s.columns = append(s.columns, "index")
		case 3:
			what = "elapsed time"
			s.columns = append(s.columns, "elapsed", "took")
			for pos, k := int64(0), int64(n); k > 0; k-- {
				took := size/512 - pos
				if k > 1 {
					took = 1 + rnd.Int64N(max(2*took/k-1, 1))
				}
				s.clock = append(s.clock, Range{pos, took, Read})
				pos += took
			}
		}
		var ranges []Range
		for k := range int64(n) { // one somewhere in each n-th part of the drive
			part := size / int64(n) / 512
			a := rnd.Int64N(part / 2)
			r := Range{(k*part + a) * 512, (1 + rnd.Int64N(part-a-1)) * 512, pick(rnd, Read, Failed)}
			ranges = append(ranges, r)
		}
		text := s.write(rnd, ranges)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		l, err := Learn(t.Context(), path, LearnOptions{Size: size})
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		if l.Sure || l.Accept() {
			t.Errorf("list %d is sure, by its %s: %v\n%.900s", i, what, l.Best, text)
		}
		places := func(r *Reading) bool { return r.End == ranges[n-1].End() && r.Ranges == n }
		if l.Best != nil && (places(l.Best) || slices.ContainsFunc(l.Others, places)) {
			named++
		}
	}
	t.Logf("the reading of the places is named for %d of %d", named, lists)
	if 10*named < 9*lists {
		t.Errorf("the reading of the places is named for %d of %d lists alone", named, lists)
	}
}

// A list of single blocks is learnt where it says how large a block is, in a
// column or beside the lines, and nothing in it could be another place.
func TestLearnBlocks(t *testing.T) {
	path := filepath.Join(t.TempDir(), "list.txt")
	const blocks, size = 96, 96 * 4096
	for _, c := range []struct {
		name, head, line, foot string
		sure                   bool
	}{
		{"nothing says it", "", "%d,%s\n", "", false},
		{"a column", "", "%d,4096,%s\n", "", true},
		{"a column of another size", "", "%d,2048,%s\n", "", false},
		{"a column and a constant", "", "%[1]d,bay7,4096,%[2]s\n", "", true},
		{"a header", "# blocksize=4096 bytes\n", "%d,%s\n", "", true},
		{"a trailer", "", "%d,%s\n", "# 96 blocks of 4096\n", true},
		{"a header, and another number", "# blocksize=4096\n", "%[1]d,%[2]s,%[1]d000\n", "", false},
		{"a header, and a clock", "# blocksize=4096\n", "%[1]d,%[2]s,12:%02[1]d\n", "", false},
	} {
		var b strings.Builder
		b.WriteString(c.head)
		for i := range blocks {
			fmt.Fprintf(&b, c.line, i, [...]string{"fetched", "fetched", "torn"}[i%3])
		}
		b.WriteString(c.foot)
		if err := os.WriteFile(path, []byte(b.String()), 0o600); err != nil {
			t.Fatal(err)
		}
		l, err := Learn(t.Context(), path, LearnOptions{Size: size})
		if err != nil || l.Sure != c.sure {
			t.Errorf("%s: %+v, %v; should be sure: %v", c.name, l, err, c.sure)
		}
		if c.sure && l.Sure && (l.Best.Recipe.Block != 4096 || l.Best.Ranges != blocks) {
			t.Errorf("%s: %v", c.name, l.Best)
		}
	}
}

func TestLearnRefuses(t *testing.T) {
	path := filepath.Join(t.TempDir(), "list.txt")
	for _, c := range []struct{ give, want string }{
		{"", "holds no line"},
		{"\n\n", "holds no line"},
		{"0,1\n\x00", "line 2: holds zero bytes"},
		{"\xff\xfe0\x00", "UTF-16"},
		{strings.Repeat("1", 1<<17) + "\n", "line 1: is longer"},
	} {
		if err := os.WriteFile(path, []byte(c.give), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := Learn(t.Context(), path, LearnOptions{}); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%.20q: %v, want %q", c.give, err, c.want)
		}
	}
	// what holds no ranges is an answer
	for _, give := range []string{"dear diary\n", "5\n5\n", ",,,\n", "0\n"} {
		if err := os.WriteFile(path, []byte(give), 0o600); err != nil {
			t.Fatal(err)
		}
		l, err := Learn(t.Context(), path, LearnOptions{})
		if err != nil || l.Sure || len(l.Why) == 0 {
			t.Errorf("%q: %+v, %v", give, l, err)
		}
	}
}

func FuzzLearn(f *testing.F) {
	rnd := rand.New(rand.NewPCG(5, 6))
	for range 12 {
		s := randomStyle(rnd)
		f.Add(s.write(rnd, tiling(rnd, 1<<20, 4096)), int64(1<<20))
	}
	f.Add("1\n2\n9\n", int64(0))
	path := filepath.Join(f.TempDir(), "list.txt")
	f.Fuzz(func(t *testing.T, text string, size int64) {
		if len(text) > 1<<12 {
			return
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		l, err := Learn(t.Context(), path, LearnOptions{Size: size})
		if err != nil || !l.Sure {
			return
		}
		// what is sure can be read, covers the drive, and leaves no byte; and
		// nothing but our own word says that anything was read
		accepted := l.Accept()
		if !accepted {
			l.Best.Recipe.Words = map[string]State{}
			for _, w := range l.Words {
				l.Best.Recipe.Words[w.Word] = Failed
			}
		}
		var written bytes.Buffer
		if err := l.Best.Recipe.Write(&written); err != nil {
			t.Fatal(err)
		}
		rec, err := ParseRecipe(written.Bytes())
		if err != nil {
			t.Fatalf("%v of\n%s", err, &written)
		}
		m, err := Import(path, rec, size)
		if err != nil {
			t.Fatalf("%v by\n%s", err, &written)
		}
		if _, own := l.Best.Recipe.Words["read"]; !own && m.Tally(0, m.End())[Read] > 0 {
			t.Fatalf("%v of what nobody read", m.Tally(0, m.End()))
		}
		if m.End() > l.Best.End || size > 0 && l.Best.End != size {
			t.Fatalf("ends at %d, the drive at %d", m.End(), size)
		}
	})
}

// A list made to allow as many readings as can be comes to an end.
func TestLearnHostile(t *testing.T) {
	var b strings.Builder
	for i := range 2000 {
		for k := range 60 {
			fmt.Fprintf(&b, "%d%c", i*1000+k, ",;:|/-=. "[k%9])
		}
		b.WriteByte('\n')
	}
	path := filepath.Join(t.TempDir(), "list.txt")
	for _, text := range []string{b.String(), strings.Repeat("1 2 3 4 5 6 7 8 9\n", 5000), strings.Repeat("0,0;0:0|0/0-0=0\n", 5000)} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		l, err := Learn(t.Context(), path, LearnOptions{})
		if err != nil || l.Sure {
			t.Errorf("%+v, %v", l, err)
		}
	}
}

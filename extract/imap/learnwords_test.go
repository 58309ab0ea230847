package imap

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

type plainImage []byte

func (m plainImage) ReadReadable(p []byte, off int64) []Range {
	clear(p)
	if off < int64(len(m)) {
		copy(p, m[off:])
	}
	return nil
}

// area is a part of a drive for TestLearnWords, in sectors.
type area struct {
	n     int
	word  string
	holds string // "data", "zeros", or a filler
}

// lay writes areas as a list and as an image.
func layAreas(areas []area) (list string, image plainImage) {
	rnd := rand.NewChaCha8([32]byte{2})
	var b strings.Builder
	at := 0
	for _, a := range areas {
		fmt.Fprintf(&b, "%d %d %s\n", at, a.n, a.word)
		at += a.n
		part := make([]byte, a.n*512)
		switch a.holds {
		case "data":
			_, _ = rnd.Read(part)
		case "zeros":
		default:
			for i := range part {
				part[i] = a.holds[i%len(a.holds)]
			}
		}
		image = append(image, part...)
	}
	return b.String(), image
}

// What stands in the image never makes a word read by itself.
func TestLearnWords(t *testing.T) {
	oneSector := []area{{900, "w0", "data"}}
	for i := range 20 { // the sectors of the drive that were not read, each with a word of its own
		oneSector = append(oneSector, area{1, fmt.Sprint("w", i+1), "data"}, area{9, "w0", "data"})
	}
	in, gone := area{90, "in", "data"}, area{3, "gone", "SHUT "}
	marked := func(a ...area) []area { return slices.Repeat(a, 8) } // in several places
	const no = ""                                                   // no word
	const proof = "nothing in an image proves that"
	for _, c := range []struct {
		name  string
		areas []area
		bare  bool   // no image is given
		read  string // the word that is guessed read
		open  string // part of why that is not accepted; "" if it is
	}{
		{"marked", marked(in, gone, in), false, "in", proof},
		{"marked, two words", marked(in, gone, area{3, "late", "SHUT "}, in), false, "in", proof},
		{"marked, with empty space", marked(in, gone, area{90, "in", "zeros"}), false, "in", proof},
		{"ours", []area{{9000, "read", "zeros"}, {20, "failed", "data"}, {900, "read", "zeros"}, {90, "failed", "data"}}, false, "read", ""},
		{"ours, alone", []area{{9000, "read", "data"}, {20000, "failed", "data"}, {900, "skipped", "data"}}, true, "read", ""},

		{"one-sector words over old data", oneSector, false, "w0", proof},
		{"several words over data", marked(in, gone, area{30, "half", "data"}, in), false, no, "2 words may mean read, and none"},
		{"one of several covers by far the most", marked(in, gone, area{9, "half", "data"}, in), false, "in", proof},
		{"a drive that mostly failed, over old data", marked(area{900, "gone", "data"}, area{10, "in", "data"}), false, "gone", proof},
		{"the same, with marks where it was not tried", marked(area{900, "gone", "data"}, area{10, "in", "data"}, area{10, "left", "SHUT "}), false, "gone", proof},
		{"a drive that was empty as far as it was read", marked(area{900, "gone", "data"}, area{30, "in", "zeros"}, area{90, "gone", "data"}), false, "gone", proof},
		{"a drive that was erased as far as it was read", marked(area{900, "gone", "data"}, area{30, "in", "\xff"}, area{90, "gone", "data"}), false, "gone", proof},
		{"one flat picture was read", []area{{9000, "gone", "data"}, {300, "in", "\xf0\xc0\x20"}, {900, "gone", "data"}, {90, "in", "\xf0\xc0\x20"}, {900, "gone", "data"}}, false, "gone", proof},
		{"zeros", marked(in, area{9, "gone", "zeros"}, in), false, "in", proof},
		{"a mark and zeros", marked(in, gone, area{9, "left", "zeros"}, in), false, "in", proof},
		{"two marks", marked(in, gone, area{9, "left", "OPEN "}, in), false, "in", proof},
		{"few places with a mark", []area{{9000, "in", "data"}, {6000, "gone", "SHUT "}, {9000, "in", "data"}}, false, "in", proof},
		{"the mark under the word", marked(in, gone, area{60, "in", "SHUT "}, in), false, "in", proof},
		{"the mark under most", marked(in, area{300, "gone", "SHUT "}, in), false, "in", proof},
		{"nothing was read, and most not tried", append([]area{gone}, marked(area{90, "left", "data"}, gone, area{90, "left", "data"})...), false, "left", proof},
		{"backward, nothing was read", append(marked(area{90, "left", "data"}, gone, area{90, "left", "data"}), gone), false, "left", proof},
		{"fillers alone", marked(area{90, "in", "zeros"}, gone, area{90, "in", "zeros"}), false, no, "no word stands over data"},
		{"no image", marked(in, gone, in), true, "in", proof},
		{"no image, and no word covers most", []area{{90000, "in", "data"}, {20000, "gone", "SHUT "}, {8000, "in", "data"}}, true, no, "none of them"},
		{"a word of ours among others", []area{{900, "read", "data"}, {9000, "left", "data"}, {9800, "failed", "data"}}, false, no, "none of them"},
	} {
		path := filepath.Join(t.TempDir(), "list.txt")
		list, image := layAreas(c.areas)
		if err := os.WriteFile(path, []byte(list), 0o600); err != nil {
			t.Fatal(err)
		}
		o := LearnOptions{Size: int64(len(image)), Image: image}
		if c.bare {
			o.Image = nil
		}
		l, err := Learn(t.Context(), path, o)
		if err != nil {
			t.Fatal(err)
		}
		if !l.Sure || len(l.Best.Recipe.Words) != 0 {
			t.Fatalf("%s: %+v: sure, and no word has a meaning that nobody accepted", c.name, l)
		}
		for _, w := range l.Words {
			_, ours := ParseState(w.Word)
			if own := c.open == "" && ours; (w.Guess == Read) != (w.Word == c.read) || w.Guess != Read && w.Guess != Failed && !own {
				t.Errorf("%s: %q is guessed %v: %s", c.name, w.Word, w.Guess, w.Reason)
			}
		}
		if got := l.Accept(); got != (c.open == "") || got != (l.Open == "") || !strings.Contains(l.Open, c.open) {
			t.Errorf("%s: accepted %v; open: %q, want %q", c.name, got, l.Open, c.open)
		}
		if n := len(l.Best.Recipe.Words); (n == 0) != (c.open != "") {
			t.Errorf("%s: %d words in the recipe", c.name, n)
		}
	}
}

// Of two columns of words that do not agree none is taken for the state when
// one of them speaks in our words: one may say what was asked for, and the
// other what came of it. Both are named.
func TestLearnTwoStates(t *testing.T) {
	path := filepath.Join(t.TempDir(), "list.txt")
	for _, c := range []struct {
		name string
		a, b [4]string // the words of two columns
		sure bool      // and accepted, if the words are ours
	}{
		{"opposites", [4]string{"read", "skipped", "read", "skipped"}, [4]string{"skipped", "read", "skipped", "read"}, false},
		{"the same", [4]string{"read", "skipped", "read", "skipped"}, [4]string{"read", "skipped", "read", "skipped"}, true},
		{"an operation, and all failed", [4]string{"read", "skipped", "read", "skipped"}, [4]string{"F", "F", "F", "F"}, false},
		{"an operation, and our word for all", [4]string{"read", "skipped", "read", "skipped"}, [4]string{"failed", "failed", "failed", "failed"}, false},
		{"an operation, and other words", [4]string{"read", "skipped", "read", "skipped"}, [4]string{"no", "yes", "no", "yes"}, false},
		{"an operation, and a code", [4]string{"read", "skipped", "read", "skipped"}, [4]string{"1", "0", "1", "0"}, false},
		{"an operation, and a code for all", [4]string{"read", "skipped", "read", "skipped"}, [4]string{"1", "1", "1", "1"}, false},
		{"the same operation in all lines", [4]string{"read", "read", "read", "read"}, [4]string{"no", "yes", "no", "yes"}, false},
		{"one is finer", [4]string{"read", "skipped", "failed", "skipped"}, [4]string{"read", "skipped", "read", "skipped"}, false},
		{"words of others alone", [4]string{"in", "out", "in", "out"}, [4]string{"0", "1", "0", "1"}, true},
		{"nothing in the other", [4]string{"read", "skipped", "read", "skipped"}, [4]string{"", "", "", ""}, true},
	} {
		for _, swap := range []bool{false, true} {
			for _, lines := range []int{4, 40, 1200} { // more than the head
				var b strings.Builder
				at := int64(0)
				for i := range lines {
					length := int64(1000+i*7919%1777) * 512
					x, y := c.a[i%4], c.b[i%4]
					if swap {
						x, y = y, x
					}
					fmt.Fprintf(&b, "%d;%d;%s;%s\n", at, length, x, y)
					at += length
				}
				if err := os.WriteFile(path, []byte(b.String()), 0o600); err != nil {
					t.Fatal(err)
				}
				l, err := Learn(t.Context(), path, LearnOptions{Size: at})
				if err != nil {
					t.Fatal(err)
				}
				why := strings.Join(l.Why, "\n")
				if l.Sure != c.sure {
					t.Errorf("%s, %d lines: sure %v: %s", c.name, lines, l.Sure, why)
				}
				if !l.Sure && (!strings.Contains(why, "column 3") || !strings.Contains(why, "column 4")) {
					t.Errorf("%s, %d lines: not both columns are named: %s", c.name, lines, why)
				}
				if got := l.Accept(); got != (c.sure && c.a[0] == "read") {
					t.Errorf("%s, %d lines: accepted %v: %s", c.name, lines, got, l.Open)
				}
			}
		}
	}
}

// A word in ISO 8859-1 is counted with all its ranges, and found again when
// somebody fills it in.
func TestLearnWordsText(t *testing.T) {
	list, image := layAreas(slices.Repeat([]area{{50, "in", "data"}, {3, "sp\xe4ter", "SHUT "}, {1, "gone", "SHUT "}, {1, "sp\xe4ter", "SHUT "}, {50, "in", "data"}}, 9))
	path := filepath.Join(t.TempDir(), "list.txt")
	if err := os.WriteFile(path, []byte(list), 0o600); err != nil {
		t.Fatal(err)
	}
	l, err := Learn(t.Context(), path, LearnOptions{Size: int64(len(image)), Image: image})
	if err != nil {
		t.Fatal(err)
	}
	if w := l.Words[1]; w.Word != "später" || w.Bytes != 36*512 || w.Ranges != 18 || w.Under.Sectors != 36 {
		t.Errorf("%+v", w)
	}
	l.Best.Recipe.Words = map[string]State{"in": Read, "später": Failed, "gone": Failed}
	m, err := Import(path, l.Best.Recipe, int64(len(image)))
	if err != nil || m.Tally(0, m.End())[Read] != 900*512 {
		t.Errorf("%v, %v", m, err)
	}
}

// What a list lists is open in every reading of it that has no state.
func TestLearnListsNothing(t *testing.T) {
	path := filepath.Join(t.TempDir(), "list.txt")
	if err := os.WriteFile(path, []byte("0,8\n8,16\n24,40\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	l, err := Learn(t.Context(), path, LearnOptions{})
	if err != nil || len(l.Others) == 0 {
		t.Fatalf("%+v, %v", l, err)
	}
	for _, r := range append(l.Others, l.Best) {
		if r.Recipe.Listed != "" || r.Recipe.State.From == 0 && r.Recipe.Validate() == nil {
			t.Errorf("%v says that its lines list %q", r, r.Recipe.Listed)
		}
	}
}

// imaging draws how a drive was imaged: its ranges, about as many of each
// state as weigh says.
func imaging(rnd *rand.Rand, sectors int64) []Range {
	weigh := pick(rnd,
		[4]int{97, 0, 0, 3},    // nearly all was read
		[4]int{97, 0, 0, 3},    //
		[4]int{96, 1, 1, 2},    // with all that happens
		[4]int{80, 0, 10, 10},  //
		[4]int{40, 0, 40, 20},  // half a pass
		[4]int{4, 0, 0, 96},    // most failed
		[4]int{3, 0, 94, 3},    // hardly begun
		[4]int{25, 25, 25, 25}, // anything
		[4]int{0, 0, 95, 5},    // nothing was read
	)
	var ranges []Range
	last := Failed + 1
	for pos, n := int64(0), pick[int64](rnd, 6, 30, 200, 600, 1000); pos < sectors; {
		p := rnd.IntN(100)
		state := Read
		for p >= weigh[state] {
			p -= weigh[state]
			state++
		}
		if weigh[Read] == 0 && pos == 0 {
			state = Failed // an imager begins at an end
		}
		length := min(1+rnd.Int64N(2*sectors/n+1), sectors-pos)
		if state == last {
			ranges[len(ranges)-1].Length += length * 512
		} else {
			ranges = append(ranges, Range{pos * 512, length * 512, state})
		}
		pos, last = pos+length, state
	}
	return ranges
}

// drive draws what stands on a drive: data, empty places, flat pictures.
func drive(rnd *rand.Rand, random *rand.ChaCha8, sectors int64) []byte {
	b := make([]byte, sectors*512)
	for pos := int64(0); pos < sectors; {
		n := min(1+rnd.Int64N(sectors/4), sectors-pos)
		part := b[pos*512 : (pos+n)*512]
		switch rnd.IntN(6) {
		case 0, 1:
		case 2:
			fill(part, pick(rnd, "\xff", "\xf0\xc0\x20", " \x00"))
		default:
			_, _ = random.Read(part)
		}
		pos += n
	}
	return b
}

func fill(p []byte, with string) {
	for i := range p {
		p[i] = with[i%len(with)]
	}
}

// Of lists drawn at random, over images whose unread sectors hold old data,
// zeros or marks, no sector that was not read is ever called read by a recipe
// that was accepted, whatever covers most. Lists of what imagers do best,
// marks under all that was not read and hardly anything unread, are accepted
// where there are enough places.
func TestLearnAcceptCorpus(t *testing.T) {
	rnd := rand.New(rand.NewPCG(41, 42))
	random := rand.NewChaCha8([32]byte{43})
	path := filepath.Join(t.TempDir(), "list.txt")
	const lists = 300
	type figures struct{ sure, accepted int }
	by := map[string]figures{} // of lists of a kind
	wrong := 0
	for i := range lists {
		sectors := 600 + rnd.Int64N(4000)
		s := randomStyle(rnd)
		if s.unit > 512 {
			s.unit, s.first = 512, 0
		}
		if rnd.IntN(8) == 0 {
			s.words = [4]string{"read", "doubtful", "skipped", "failed"}
		}
		ranges := imaging(rnd, sectors)
		image, old := drive(rnd, random, sectors), drive(rnd, random, sectors)
		mark := pick(rnd, "SHUT ", "\xde\xad\xbe\xef", "\x00", "\xee")
		under := [4]string{Doubtful: pick(rnd, "own", "old", "mark"), Skipped: pick(rnd, "old", "old", "zeros", "mark"), Failed: pick(rnd, "old", "zeros", "mark", "mark")}
		plain := "another"
		if t := tallyOf(ranges); t[Doubtful] == 0 && 10*(t[Skipped]+t[Failed]) <= t[Read] && t[Skipped]+t[Failed] > 0 {
			plain = "nearly all was read, under the rest " + under[Failed]
			if t[Skipped] > 0 && under[Skipped] != under[Failed] {
				plain = "nearly all was read, under the rest different things"
			}
			if len(mark) == 1 && strings.HasSuffix(plain, "mark") {
				plain = "nearly all was read, under the rest one byte again and again"
			}
		}
		if s.words[0] == "read" {
			plain = "our own words"
		}
		for _, r := range ranges {
			switch p := image[r.Start:r.End()]; under[r.State] {
			case "old":
				copy(p, old[r.Start:])
			case "zeros":
				clear(p)
			case "mark":
				fill(p, mark)
			}
		}
		if err := os.WriteFile(path, []byte(s.write(rnd, ranges)), 0o600); err != nil {
			t.Fatal(err)
		}
		l, err := Learn(t.Context(), path, LearnOptions{Size: int64(len(image)), Image: plainImage(image)})
		if err != nil {
			t.Fatal(err)
		}
		if !l.Sure {
			if l.Accept() || l.Best != nil && l.Best.Recipe.Words != nil {
				t.Errorf("list %d is not sure, and was accepted", i)
			}
			continue
		}
		n := by[plain]
		n.sure++
		if l.Accept() {
			n.accepted++
			m, err := Import(path, l.Best.Recipe, int64(len(image)))
			if err != nil {
				t.Fatal(err)
			}
			for _, r := range ranges {
				if got := m.Tally(r.Start, r.Length)[Read]; r.State != Read && got > 0 {
					wrong++
					t.Errorf("list %d: %d bytes from %d are %v and called read; it stands over %v", i, got, r.Start, r.State, under)
					break
				}
			}
		}
		by[plain] = n
	}
	for kind, n := range by {
		t.Logf("%s: %d of %d accepted", kind, n.accepted, n.sure)
	}
	if wrong > 0 {
		t.Errorf("%d lists with false reads", wrong)
	}
	if n := by["our own words"]; n.accepted != n.sure || n.sure < 15 {
		t.Errorf("our own words: %+v", n)
	}
	for kind, n := range by {
		if kind != "our own words" && n.accepted > 0 {
			t.Errorf("%s: %d of %d accepted", kind, n.accepted, n.sure)
		}
	}
}

func tallyOf(ranges []Range) (t Tally) {
	for _, r := range ranges {
		t[r.State] += r.Length
	}
	return t
}

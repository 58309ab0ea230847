package imap

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
)

// weighWords counts what stands under each word of the best reading and
// guesses what the words mean.
func (l *Learnt) weighWords(ctx context.Context, f *os.File, path string, o LearnOptions) error {
	b := l.Best
	if b.Recipe.State.From == 0 {
		return nil
	}
	for _, w := range b.words {
		l.Words = append(l.Words, Word{Word: w.word, Ranges: w.ranges, Bytes: w.units})
	}
	slices.SortStableFunc(l.Words, func(a, b Word) int {
		return cmp.Or(cmp.Compare(b.Bytes, a.Bytes), cmp.Compare(a.Word, b.Word))
	})
	if o.Image != nil {
		if err := l.look(ctx, f, path, o); err != nil {
			return err
		}
	}
	if most := l.guess(); most != nil {
		var err error
		l.Open, err = l.whyOpen(most, path, o)
		return err
	}
	return nil
}

// kept is how many ranges of each word are kept to look at.
const kept = 4096

// look samples the image under each word.
func (l *Learnt) look(ctx context.Context, f *os.File, path string, o LearnOptions) error {
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return fmt.Errorf("imaging map %s: %w", path, err)
	}
	im, err := newImporter(l.Best.Recipe, path, o.Size)
	if err != nil {
		return err
	}
	im.Lines = NewLines(f, listKind, path)
	at := map[string]int{}
	for i, w := range l.Words {
		at[w.Word] = i
	}
	last := -1
	im.word = func(word []byte) (State, string) {
		last = -1
		i, ok := at[string(word)]
		if !ok {
			i, ok = at[wordText(word)]
		}
		if ok {
			last = i
		}
		return Read, ""
	}
	// Of the ranges of a word every step-th is kept; when they are too many,
	// every other one goes and the step doubles. So which are kept depends on
	// the list alone.
	type keep struct {
		list       []Range
		step, next int
	}
	keeps := make([]keep, len(l.Words))
	err = im.each(func(rg Range) bool {
		if last < 0 {
			return true
		}
		k := &keeps[last]
		if k.next > 0 {
			k.next--
			return true
		}
		k.step = max(k.step, 1)
		k.next = k.step - 1
		if len(k.list) == kept {
			for i := range kept / 2 {
				k.list[i] = k.list[2*i]
			}
			k.list = k.list[:kept/2]
			k.step *= 2
		}
		k.list = append(k.list, rg)
		return true
	})
	if _, bad := errors.AsType[*LineError](err); bad {
		return nil // past the image's end: it is not the image of this list
	}
	if err != nil {
		return err
	}
	for i, k := range keeps {
		if err := ctx.Err(); err != nil {
			return err
		}
		c := Sample(o.Image, o.sector(), k.list)
		l.Words[i].Under = &c
	}
	return nil
}

// What a word means is guessed, and a guess is no proof: what stands in an
// image where nothing was read may be anything, also what stood on the medium
// before. So content alone never makes a word read, and two questions are
// apart.
//
// A guess, which only a person can apply, is that the word was read which
// covers by far the most of what data stands under. All others are guessed
// failed, the worst of states.
//
// A guess can be accepted only if no other word could be the one that means
// read, and that is so where the imager marked what it did not read: see
// [Learnt.whyOpen].

// byFar is how many times the bytes of all its rivals together a word covers
// that covers by far the most. Of a drive that mostly came back, places that
// are doubtful or were left out are a few hundredths; where they are more than
// a tenth, how much a word covers no longer tells which of them it is.
const byFar = 10

// minPlaces is how many places apart from each other must hold the mark of an
// imager. A file may hold the like in one or two.
const minPlaces = 8

// guess says what each word may mean. Our own words mean what they mean, if
// there are no others. Else it returns the one that is guessed read, and if
// there is none it says why in l.Open.
func (l *Learnt) guess() *Word {
	if !slices.ContainsFunc(l.Words, func(w Word) bool { _, ok := ParseState(w.Word); return !ok }) {
		for i := range l.Words {
			w := &l.Words[i]
			w.Guess, _ = ParseState(w.Word)
			w.Reason = "the word is one of our own"
		}
		return nil
	}
	var may []*Word // mean read, the one of most bytes first
	for i := range l.Words {
		w := &l.Words[i]
		w.Guess = Failed
		switch c := w.Under; {
		case c == nil:
			w.Reason = "nothing but its number of bytes speaks for it"
			may = append(may, w)
		case c.Sectors == 0:
			w.Reason = "no whole sector to look at"
		case c.filled():
			w.Reason = fmt.Sprintf("%d of %d sectors looked at hold a filler, most of them %s", c.Sectors-c.Data, c.Sectors, c.FillerText())
		default:
			w.Reason = fmt.Sprintf("%d of %d sectors looked at hold data that is not repeated, as they may where nothing was read", c.Data, c.Sectors)
			may = append(may, w)
		}
	}
	if len(may) == 0 {
		l.Open = "no word stands over data"
		return nil
	}
	var rivals int64
	for _, w := range may[1:] {
		rivals += w.Bytes
	}
	most := may[0]
	if most.Bytes/byFar < rivals {
		l.Open = fmt.Sprintf("%d words may mean read, and none of them covers by far the most", len(may))
		return nil
	}
	most.Guess = Read
	switch {
	case most.Under == nil:
		most.Reason = "it covers by far the most, and nothing else speaks for it"
	case len(may) > 1:
		most.Reason = "it covers by far the most of what data stands under"
	default:
		most.Reason = "it is the only word that data stands under"
	}
	return most
}

// whyOpen says why the guess that a word means read cannot be accepted, "" if
// it can. That another word means read must be ruled out, whatever stands in
// the sectors that were not read. It is where under every other word each
// sector looked at holds one and the same mark, in several places: if another
// word meant read, all that was read of the drive would hold that mark. Zeros,
// or any one byte again and again, are no mark, since drives that are empty,
// erased or wiped hold them; and a mark under most of the drive may be what it
// was wiped with.
//
// What is left is a drive of which nothing at all was read, where the word
// means that nothing was tried. Imagers begin at an end of the drive, and what
// they tried there has the mark: so the word must stand at both ends.
func (l *Learnt) whyOpen(read *Word, path string, o LearnOptions) (string, error) {
	if read.Under == nil {
		return "how much a word covers does not prove that it was read", nil
	}
	var mark []byte
	var others int64
	rec := *l.Best.Recipe
	rec.Words = map[string]State{}
	for _, w := range l.Words {
		rec.Words[w.Word] = w.Guess
		if w.Word == read.Word {
			continue
		}
		if mark == nil {
			mark = w.Under.mark()
		}
		if mark == nil || !bytes.Equal(w.Under.mark(), mark) {
			return fmt.Sprintf("%q may mean read as well as %q: only where each sector under it holds the mark of an imager, the same under all such words, is it certainly unread (zeros and old data are no mark)", w.Word, read.Word), nil
		}
		others += w.Bytes
	}
	if read.Bytes <= others {
		return fmt.Sprintf("%q covers less than the other words do", read.Word), nil
	}
	m, err := Import(path, &rec, o.Size)
	if err != nil {
		return "", err
	}
	var in []Range // the word's own
	places := 0
	for r := range m.Over(0, m.End()) {
		if r.State == Read {
			in = append(in, r)
		} else {
			places++
		}
	}
	_, seen := sample(o.Image, o.sector(), in)
	switch {
	case places < minPlaces:
		return fmt.Sprintf("the mark of an imager stands in %d places, and should in %d at least", places, minPlaces), nil
	case seen["*"+string(mark)]+seen["="+string(mark)] > 0:
		return fmt.Sprintf("the mark of unread sectors stands under %q too", read.Word), nil
	case len(in) != places+1:
		return fmt.Sprintf("%q does not stand at both ends of the drive, so it may mean what was not tried", read.Word), nil
	}
	return "", nil
}

// sector is how many bytes a sector has.
func (o LearnOptions) sector() int64 { return cmp.Or(o.Sector, 512) }

// filled reports whether nearly all sectors hold a filler.
func (c *Content) filled() bool { return c.Sectors > 0 && 10*c.Data <= c.Sectors }

// mark is what all sectors hold that were looked at, if it can be the mark of
// an imager; else nil.
func (c *Content) mark() []byte {
	if c.Same == 0 || c.Same < c.Sectors || bytes.Count(c.Filler, c.Filler[:1]) == len(c.Filler) {
		return nil
	}
	return c.Filler
}

// Accept takes the guesses at what the words mean into the best reading's
// recipe. It does nothing and returns false where the reading is not sure or
// l.Open says why the guesses are no more than that.
func (l *Learnt) Accept() bool {
	if !l.Sure || l.Open != "" || len(l.Words) == 0 {
		return false
	}
	l.Best.Recipe.Words = map[string]State{}
	for _, w := range l.Words {
		l.Best.Recipe.Words[w.Word] = w.Guess
	}
	return true
}

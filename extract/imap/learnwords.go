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
	for i, w := range b.words {
		l.Words = append(l.Words, Word{Word: w.word, Ranges: w.ranges, Bytes: w.units, ends: i == b.first && i == b.last})
	}
	slices.SortStableFunc(l.Words, func(a, b Word) int {
		return cmp.Or(cmp.Compare(b.Bytes, a.Bytes), cmp.Compare(a.Word, b.Word))
	})
	if o.Image != nil {
		if err := l.look(ctx, f, path, o); err != nil {
			return err
		}
	}
	l.guess()
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
	sector := o.Sector
	if sector == 0 {
		sector = 512
	}
	for i, k := range keeps {
		if err := ctx.Err(); err != nil {
			return err
		}
		c, seen := sample(o.Image, sector, k.list)
		l.Words[i].Under, l.Words[i].seen = &c, seen
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

// minMarked is how many sectors must hold the mark of an imager. In a few
// sectors a file may hold it too.
const minMarked = 16

// guess says what each word may mean, and why that cannot be accepted. Our own
// words mean what they mean, if there are no others.
func (l *Learnt) guess() {
	if !slices.ContainsFunc(l.Words, func(w Word) bool { _, ok := ParseState(w.Word); return !ok }) {
		for i := range l.Words {
			w := &l.Words[i]
			w.Guess, _ = ParseState(w.Word)
			w.Reason = "the word is one of our own"
		}
		return
	}
	var may []*Word // have been read, the one of most bytes first
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
		return
	}
	var rivals int64
	for _, w := range may[1:] {
		rivals += w.Bytes
	}
	most := may[0]
	if most.Bytes/byFar < rivals {
		l.Open = fmt.Sprintf("%d words may mean read, and none of them covers by far the most", len(may))
		return
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
	l.Open = l.whyOpen(most)
}

// whyOpen says why the guess that a word means read cannot be accepted, "" if
// it can. That another word means read must be ruled out, whatever stands in
// the sectors that were not read. It is where under every other word each
// sector looked at holds one and the same mark: if another word meant read,
// all that was read of the drive would hold that mark. Zeros, or any one byte
// again and again, are no mark, since drives that are empty, erased or wiped
// hold them; and a mark under most of the drive may be what it was wiped with.
//
// What is left is a drive of which nothing was read, where the word means that
// nothing was tried. Imagers begin at an end of the drive, and what they tried
// there has the mark: so the word must stand at both ends.
func (l *Learnt) whyOpen(read *Word) string {
	if read.Under == nil {
		return "how much a word covers does not prove that it was read"
	}
	var mark []byte
	var others int64
	marked := 0
	for i := range l.Words {
		w := &l.Words[i]
		if w == read {
			continue
		}
		if mark == nil {
			mark = w.Under.mark()
		}
		if mark == nil || !bytes.Equal(w.Under.mark(), mark) {
			return fmt.Sprintf("%q may mean read as well as %q: only where each sector under it holds the mark of an imager, the same under all such words, is it certainly unread (zeros and old data are no mark)", w.Word, read.Word)
		}
		others += w.Bytes
		marked += w.Under.Sectors
	}
	switch {
	case marked < minMarked:
		return fmt.Sprintf("only %d sectors show the mark of an imager, and they should be %d at least", marked, minMarked)
	case read.seen["*"+string(mark)]+read.seen["="+string(mark)] > 0:
		return fmt.Sprintf("the mark of unread sectors stands under %q too", read.Word)
	case read.Bytes <= others:
		return fmt.Sprintf("%q covers less than the other words do", read.Word)
	case !read.ends:
		return fmt.Sprintf("%q does not stand at both ends of the drive, so it may mean what was not tried", read.Word)
	}
	return ""
}

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

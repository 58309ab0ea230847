package imap

import (
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
// before, and marks under one word do not make another one read: what was never
// tried has no mark. So content alone never makes a word read, and two questions
// are apart.
//
// A guess, which only a person can apply, is that the word was read which
// covers by far the most of what data stands under. All others are guessed
// failed, the worst of states.
//
// Accepted without a person are words of our own alone: they say what they mean.

// byFar is how many times the bytes of all its rivals together a word covers
// that covers by far the most. Of a drive that mostly came back, places that
// are doubtful or were left out are a few hundredths; where they are more than
// a tenth, how much a word covers no longer tells which of them it is.
const byFar = 10

// guess says what each word may mean. Our own words mean what they mean, if
// there are no others. Else it says in l.Open why the guesses are no more.
func (l *Learnt) guess() {
	if !slices.ContainsFunc(l.Words, func(w Word) bool { _, ok := ParseState(w.Word); return !ok }) {
		for i := range l.Words {
			w := &l.Words[i]
			w.Guess, _ = ParseState(w.Word)
			w.Reason = "the word is one of our own"
		}
		return
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
	l.Open = fmt.Sprintf("%q is guessed read, and nothing in an image proves that: what was not read may hold old data; fill in what the words mean if you know it", most.Word)
}

// sector is how many bytes a sector has.
func (o LearnOptions) sector() int64 { return cmp.Or(o.Sector, 512) }

// filled reports whether nearly all sectors hold a filler.
func (c *Content) filled() bool { return c.Sectors > 0 && 10*c.Data <= c.Sectors }

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

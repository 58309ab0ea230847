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
		b.Recipe.Listed = ""
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
	sector := o.Sector
	if sector == 0 {
		sector = 512
	}
	for i, k := range keeps {
		if err := ctx.Err(); err != nil {
			return err
		}
		c := Sample(o.Image, sector, k.list)
		l.Words[i].Under = &c
	}
	return nil
}

// guess says what each word may mean. Our own words mean what they mean; else
// what stands in the image under them speaks, and without an image only the
// number of bytes.
func (l *Learnt) guess() {
	ours := true
	for _, w := range l.Words {
		_, ok := ParseState(w.Word)
		ours = ours && ok
	}
	data := slices.ContainsFunc(l.Words, func(w Word) bool { return w.Under != nil && !w.Under.filled() })
	for i := range l.Words {
		w := &l.Words[i]
		switch {
		case ours:
			w.Guess, _ = ParseState(w.Word)
			w.Reason = "the word is one of our own"
		case w.Under != nil && w.Under.Sectors == 0 || w.Under == nil && data:
			w.Guess, w.Reason = Failed, "no whole sector to look at"
		case w.Under != nil && data && w.Under.filled():
			w.Guess = Failed
			w.Reason = fmt.Sprintf("%d of %d sectors looked at hold a filler, most of them %s", w.Under.Sectors-w.Under.Data, w.Under.Sectors, w.Under.FillerText())
		case w.Under != nil && data:
			w.Guess = Read
			w.Reason = fmt.Sprintf("%d of %d sectors looked at hold data that is not repeated", w.Under.Data, w.Under.Sectors)
		case i == 0:
			w.Guess, w.Reason = Read, "it has the most bytes, and nothing else speaks for it"
		default:
			w.Guess, w.Reason = Failed, "it has fewer bytes than another, and nothing else speaks for it"
		}
	}
}

// filled reports whether nearly all sectors hold a filler.
func (c *Content) filled() bool { return c.Sectors > 0 && 10*c.Data <= c.Sectors }

// Accept takes the guesses at what the words mean into the best reading's
// recipe.
func (l *Learnt) Accept() {
	if l.Best == nil || len(l.Words) == 0 {
		return
	}
	l.Best.Recipe.Words = map[string]State{}
	for _, w := range l.Words {
		l.Best.Recipe.Words[w.Word] = w.Guess
	}
}

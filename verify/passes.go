package verify

import (
	"context"
	"errors"
	"fmt"

	"fileassay/extract"
	"fileassay/extract/imap"
	"fileassay/extract/ranges"
	"fileassay/verify/files"
	"fileassay/verify/result"
)

// maxPasses bounds how often an image is gone over. Each pass knows all faults
// of the image file that those before noted, and asks only for what they make
// it turn to instead: a sound disk with bad places settles in two or three.
const maxPasses = 16

// From the pass of this number on, what lies beside a fault is asked for too,
// twice as far in each pass: a walk may find its way into one large bad area a
// sector at a time.
const (
	besidePass  = 3
	besideFirst = 4 << 10 // bytes each way
)

// passes calls pass until one notes no new fault of the image file, with what
// was noted so far as failed from the start: so what the last one says rests on
// one map throughout. Then the image must be what it was when it was opened.
// What passes before the last did is the caller's to throw away.
func (in *Input) passes(ctx context.Context, pass func() error) error {
	for n := range maxPasses {
		err := pass()
		if _, input := errors.AsType[*files.InputError](err); err != nil && (ctx.Err() != nil || !input) {
			return err
		}
		if cerr := in.Unchanged(); cerr != nil {
			return &files.InputError{Err: fmt.Errorf("image %w", cerr)}
		}
		if err != nil {
			return err
		}
		next, found := in.Again()
		if !found {
			return nil
		}
		if n+1 >= besidePass {
			if err := in.AskBeside(ctx, besideFirst<<(n+1-besidePass)); err != nil {
				return err
			}
			next, _ = in.Again()
		}
		in.Reader = next
	}
	return &files.InputError{Err: fmt.Errorf("image %s: gave errors in other places each of %d times that it was read: the image file or the disk that it lies on is failing; copy it anew and verify the copy",
		in.Shape.Path, maxPasses)}
}

// BrokenWords say that the image file did not give all that was asked of it; ""
// where it did. so says what became of the bytes, and again what to do with the
// new copy.
func (in *Input) BrokenWords(so, again string) string {
	n := in.BrokenBytes()
	if n == 0 {
		return ""
	}
	return fmt.Sprintf("the image file itself did not give %d bytes, which %s, and may fail elsewhere: copy the image anew and %s", n, so, again)
}

// ContentRead is the mode of [Options.Content] that reads all content again.
const ContentRead = result.ContentRead

const (
	sweepWindow = 4 << 20   // bytes read at once
	sweepGap    = 128 << 10 // bytes between two pieces of content that are read through rather than skipped
)

// sweep reads what lies in content and the map calls read, but for what a pass
// before has read, once and forward. What the image file does not give is
// noted by the reader.
func (in *Input) sweep(ctx context.Context, content *ranges.Set, report func(step string, done, total int64)) error {
	var done, total int64
	each := func(yield func(ranges.Range) bool) {
		for c := range content.All() {
			for rg := range in.Over(c.Start, c.Len()) {
				if rg.State != imap.Read {
					continue
				}
				pos := rg.Start
				for old := range in.swept.Within(rg.Start, rg.Length) {
					if !yield(ranges.Range{Start: pos, End: old.Start}) {
						return
					}
					pos = old.End
				}
				if !yield(ranges.Range{Start: pos, End: rg.End()}) {
					return
				}
			}
		}
	}
	for s := range each {
		total += s.Len()
	}
	buf := make([]byte, sweepWindow)
	var w ranges.Range
	read := func() error {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		in.ReadReadable(buf[:w.End-w.Start], w.Start)
		report("reading content", done, total)
		w = ranges.Range{}
		return nil
	}
	for s := range each {
		for s.Start < s.End {
			if s.Start-w.End > sweepGap || s.Start-w.Start >= sweepWindow || !in.IsRead(w.End, s.Start-w.End) {
				if err := read(); err != nil {
					return err
				}
				w = ranges.Range{Start: s.Start, End: s.Start}
			}
			end := min(s.End, w.Start+sweepWindow)
			done += end - s.Start
			w.End, s.Start = end, end
		}
	}
	if err := read(); err != nil {
		return err
	}
	in.swept.AddAll(content)
	return nil
}

// contentOf adds the places that the content of a judged file lies in.
func contentOf(list []ranges.Range, f *extract.File, j *Judgement) []ranges.Range {
	for _, extents := range [][]extract.Extent{j.Extents, j.Patched} {
		for _, e := range extents {
			list = append(list, ranges.Range{Start: e.Image, End: e.Image + e.Length})
		}
	}
	for i := range f.Pieces {
		if p := &f.Pieces[i]; p.Kind == extract.Patched && p.AlsoLength > 0 {
			list = append(list, ranges.Range{Start: p.Also, End: p.Also + p.AlsoLength})
		}
	}
	return list
}

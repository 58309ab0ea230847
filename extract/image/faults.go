package image

import (
	"context"
	"errors"
	"io"
	"slices"
	"sync"
	"sync/atomic"

	"fileassay/extract/imap"
)

// FaultUnit is how finely faults of the image file are told apart, in bytes:
// a sector of what it lies on, whatever the drive's own was.
const FaultUnit = 512

// faults are the places that the image file itself did not give since the
// reader was made. What is noted is replaced, never changed, so that readers
// take no lock.
type faults struct {
	noted   atomic.Pointer[imap.Map] // calls them failed and no others; nil while there are none
	retried atomic.Int64
	adding  sync.Mutex // held while noted is replaced
}

// add notes places.
func (f *faults) add(bad []imap.Range) {
	f.adding.Lock()
	defer f.adding.Unlock()
	noted := f.noted.Load()
	if noted == nil {
		noted = &imap.Map{}
	}
	f.noted.Store(noted.With(bad))
}

// Again is the reader for the next pass over the image. What the image file did
// not give in this pass, and in those before, is failed for it from the start:
// so of a pass that noted no fault, all that was said rests on one map. found is
// whether this pass noted any; if not, Again is the reader itself. The two
// share the image file: one of them closes it.
func (r *Reader) Again() (next *Reader, found bool) {
	if r.faults.noted.Load() == nil {
		return r, false
	}
	broken := r.Broken()
	next = &Reader{src: r.src, close: r.close, files: r.files, size: r.size, drive: r.drive, sector: r.sector, under: r.under, runs: r.runs,
		m: r.m.With(broken), said: r.said.With(broken), broken: broken}
	next.faults.retried.Store(r.Retried())
	return next, true
}

// Broken are the ranges where the image file itself could not be read, in this
// pass and those before, sorted and joined.
func (r *Reader) Broken() []imap.Range {
	noted := r.faults.noted.Load()
	if noted == nil {
		return r.broken
	}
	return slices.Collect(noted.With(r.broken).Ranges())
}

// BrokenBytes is how many bytes those ranges have.
func (r *Reader) BrokenBytes() (n int64) {
	for _, b := range r.Broken() {
		n += b.Length
	}
	return n
}

// AskBeside asks the image file for what lies before and behind each place that
// it did not give, sector by sector, as far as the map calls it read: until it
// gives one, and for at most n bytes each way. What it does not give is noted.
// It returns the context's error.
func (r *Reader) AskBeside(ctx context.Context, n int64) error {
	var bad []imap.Range
	sector := make([]byte, FaultUnit)
	gives := func(at int64) bool {
		length := min(FaultUnit, r.size-at)
		if length <= 0 || !r.IsRead(at, length) || readFull(r.src, sector[:length], at) == nil {
			return true
		}
		bad = append(bad, imap.Range{Start: at, Length: length, State: imap.Failed})
		return false
	}
	for _, b := range r.Broken() {
		for at := b.Start - FaultUnit; at >= max(b.Start-n, 0) && ctx.Err() == nil && !gives(at); at -= FaultUnit {
		}
		for at := b.End(); at < b.End()+n && ctx.Err() == nil && !gives(at); at += FaultUnit {
		}
	}
	if len(bad) > 0 {
		r.faults.add(bad)
	}
	return ctx.Err()
}

// Retried is how many reads of the image file failed and then gave every byte
// when they were repeated sector by sector. Those bytes count as read; but what
// holds the image may be failing too, and a person should know.
func (r *Reader) Retried() int64 { return r.faults.retried.Load() }

// errBefore is the cause where the image file is not asked again.
var errBefore = errors.New("it could not be read there before")

// fill reads the image file from off into p, all of it called read by the map.
// What the file does not give comes back as bad, with the first error as its
// cause; zeros stand there in p, and it is not asked for again.
func (r *Reader) fill(p []byte, off int64) (bad []imap.Range, cause error) {
	noted := r.faults.noted.Load()
	if noted == nil {
		return r.fetch(p, off)
	}
	if s, ok := noted.Uniform(off, int64(len(p))); ok && s != imap.Failed {
		return r.fetch(p, off)
	}
	for rg := range noted.Over(off, int64(len(p))) {
		part := p[rg.Start-off : rg.End()-off]
		more, err := []imap.Range{rg}, errBefore
		if rg.State == imap.Failed {
			clear(part)
		} else {
			more, err = r.fetch(part, rg.Start)
		}
		for _, b := range more {
			bad = join(bad, b)
		}
		if cause == nil {
			cause = err
		}
	}
	return bad, cause
}

// fetch reads the image file from off into p. Where the file does not give all
// at once it is asked piece by piece: what it then gives stands in p, the rest
// of p is zeros and comes back as bad, and those pieces are noted. So what is
// found bad does not depend on how much was asked for at a time.
func (r *Reader) fetch(p []byte, off int64) (bad []imap.Range, cause error) {
	if cause = readFull(r.src, p, off); cause == nil {
		return nil, nil
	}
	end := off + int64(len(p))
	var whole []imap.Range // the pieces of which bad is a part
	for at := off - off%FaultUnit; at < end; at += FaultUnit {
		a, z := max(at, off), min(at+FaultUnit, end)
		part := p[a-off : z-off]
		if readFull(r.src, part, a) == nil {
			continue
		}
		clear(part)
		bad = join(bad, imap.Range{Start: a, Length: z - a, State: imap.Failed})
		whole = join(whole, imap.Range{Start: at, Length: min(FaultUnit, r.size-at), State: imap.Failed})
	}
	if len(bad) == 0 {
		r.faults.retried.Add(1)
		return nil, nil
	}
	r.faults.add(whole)
	return bad, cause
}

// readFull reads all of p from off. An error that comes with all of p is an
// error still, unless it only says that the file ends there.
func readFull(src io.ReaderAt, p []byte, off int64) error {
	n, err := src.ReadAt(p, off)
	if n < len(p) && (err == nil || err == io.EOF) {
		return io.ErrUnexpectedEOF
	}
	if err == io.EOF {
		return nil
	}
	return err
}

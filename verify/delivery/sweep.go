package delivery

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"

	"fileassay/extract/image"
)

const (
	windowSize  = 4 << 20   // bytes read at once
	windowGap   = 128 << 10 // bytes between two segments that are read through rather than skipped
	windowsLive = 6         // read ahead
)

// window is a part of the image that was read, with what is to be done with
// it: for each worker a list.
type window struct {
	at    int64
	data  []byte
	write [][]item
	hash  [][]item
	users atomic.Int32
}

// item is a segment, cut to a window.
type item struct {
	segment
	data []byte // nil for a unit that the window does not hold whole
	err  error  // the image file does not give it; data is nothing then
}

// sweep reads the segments of a plan, forward over the image, and hands them
// to the writers: what belongs to one file always to the same one, in order.
type sweep struct {
	r        *image.Reader
	files    []*file
	workers  int
	free     chan []byte
	writers  []chan *window
	hashers  []chan *window
	progress func(bytes int64)
}

// run sweeps over the segments that are wanted. write and hash are called
// with the items of a window; an error ends the sweep.
func (s *sweep) run(ctx context.Context, segments []segment, wanted func(*file) bool, write func(worker int, it *item) error, hash func(it *item) error) error {
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	s.free = make(chan []byte, windowsLive)
	for range windowsLive {
		s.free <- make([]byte, windowSize)
	}
	var wg sync.WaitGroup
	release := func(w *window) {
		if w.users.Add(-1) == 0 && w.data != nil {
			s.free <- w.data[:windowSize]
		}
	}
	do := func(list []item, each func(it *item) error) {
		for k := range list {
			if ctx.Err() != nil {
				return
			}
			if err := each(&list[k]); err != nil {
				stop(err)
			}
		}
	}
	for i := range s.workers {
		in, hin := make(chan *window, windowsLive), make(chan *window, windowsLive)
		s.writers, s.hashers = append(s.writers, in), append(s.hashers, hin)
		wg.Go(func() {
			for w := range in {
				do(w.write[i], func(it *item) error { return write(i, it) })
				release(w)
			}
		})
		wg.Go(func() {
			for w := range hin {
				do(w.hash[i], hash)
				release(w)
			}
		})
	}
	err := s.read(ctx, segments, wanted)
	for i := range s.workers {
		close(s.writers[i])
		close(s.hashers[i])
	}
	wg.Wait()
	if cause := context.Cause(ctx); cause != nil {
		return cause
	}
	return err
}

// read reads window after window.
func (s *sweep) read(ctx context.Context, segments []segment, wanted func(*file) bool) error {
	var carry, now []segment // what the window before left of its segments, and those of this one
	for len(segments) > 0 || len(carry) > 0 {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		now = append(now[:0], carry...)
		carry = carry[:0]
		var start, end int64
		if len(now) > 0 {
			start = now[0].image
			for i := range now {
				end = max(end, now[i].end())
			}
		}
		for len(segments) > 0 {
			g := segments[0]
			if !wanted(s.files[g.file]) {
				segments = segments[1:]
				continue
			}
			if len(now) == 0 {
				start, end = g.image, g.image
			} else if g.image >= start+windowSize || g.image > end+windowGap {
				break
			}
			now = append(now, g)
			end = max(end, g.end())
			segments = segments[1:]
		}
		if len(now) == 0 {
			return nil
		}
		end = min(end, start+windowSize)
		var buf []byte
		select {
		case buf = <-s.free:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
		w := &window{at: start, data: buf[:end-start]}
		faults := s.load(w, now)
		w.write, w.hash = make([][]item, s.workers), make([][]item, s.workers)
		var bytes int64
		for i, g := range now {
			f := s.files[g.file]
			it := item{segment: g}
			if faults != nil {
				it.err = faults[i]
			}
			if g.unit < 0 {
				if g.end() > end {
					rest := g
					rest.image, rest.off, rest.length = end, g.off+end-g.image, g.end()-end
					rest.prev = rest.off
					carry = append(carry, rest)
					it.length = end - g.image
				}
				it.data = w.data[it.image-start : it.end()-start]
				bytes += it.length
			} else {
				if g.end() <= end {
					it.data = w.data[g.image-start : g.end()-start]
				}
				bytes += f.units[g.unit].length
			}
			k := int(g.file) % s.workers
			w.write[k] = append(w.write[k], it)
			if f.hashedApart() {
				w.hash[k] = append(w.hash[k], it)
			}
		}
		w.users.Store(int32(2 * s.workers))
		for i := range s.workers {
			s.writers[i] <- w
			s.hashers[i] <- w
		}
		s.progress(bytes)
	}
	return nil
}

// load reads the bytes of a window. Where the image file does not give them
// all, each segment is asked for alone: faults says of each why it cannot be
// had.
func (s *sweep) load(w *window, now []segment) (faults []error) {
	if _, err := s.r.ReadAt(w.data, w.at); err == nil {
		return nil
	}
	clear(w.data)
	faults = make([]error, len(now))
	for i := range now {
		g := &now[i]
		n := min(g.length, w.at+int64(len(w.data))-g.image)
		_, faults[i] = s.r.ReadAt(w.data[g.image-w.at:][:n], g.image)
	}
	return faults
}

// unreadable is why a file is left out whose content the image file does not
// give. It names the place alone, which does not depend on how much was asked
// for at a time.
func unreadable(err error) string {
	at := "a place of it"
	if u, ok := errors.AsType[*image.UnreadError](err); ok {
		at = fmt.Sprintf("offset %d (sector %d)", u.Offset, u.Offset/max(u.Sector, 1))
	}
	return becauseImage + "no longer gives what the result calls read, the first of it at " + at + "; copy the image anew and verify it again"
}

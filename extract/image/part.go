package image

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"sync"
)

// Part is one file of an image that is kept in several, with its place in it.
type Part struct {
	Path   string // of the file; where it is missing, of the file that it would be
	Start  int64  // in the image, bytes
	Length int64  // of its place in the image
	Held   int64  // bytes that the file holds: less than Length where it is short, 0 where it is missing
}

// End is the first byte of the image past the part.
func (p *Part) End() int64 { return p.Start + p.Length }

// joined reads parts as the one image that they make. It is safe for
// concurrent use.
//
// An image may have more parts than a process may have open files, so files
// are opened when they are first read and those unused longest are closed.
type joined struct {
	parts []Part                // by start, without gaps
	was   map[string]openedFile // by path, those that are there

	mu     sync.Mutex
	open   map[int]*handle // by index in parts
	clock  uint64
	closed bool
}

// handle is an open part.
type handle struct {
	f     *os.File
	users int    // reads in progress: it is not closed while there are any
	last  uint64 // clock of its last use
}

// maxHandles is how many parts are kept open.
const maxHandles = 64

func newJoined(parts []Part, opened []openedFile) *joined {
	j := &joined{parts: parts, was: make(map[string]openedFile, len(opened)), open: map[int]*handle{}}
	for _, o := range opened {
		j.was[o.path] = o
	}
	return j
}

// stampParts looks at the parts that are there, which must have the sizes that
// they were found with.
func stampParts(parts []Part) ([]openedFile, error) {
	var out []openedFile
	for i := range parts {
		p := &parts[i]
		if p.Held == 0 {
			continue
		}
		st, err := os.Stat(p.Path)
		if err != nil {
			return nil, err
		}
		if st.Size() != p.Held {
			return nil, fmt.Errorf("part %s: %w (it had %d bytes and has %d)", p.Path, ErrChanged, p.Held, st.Size())
		}
		out = append(out, openedFile{p.Path, st.Size(), st, changeTime(p.Path)})
	}
	return out, nil
}

// ReadAt reads across the borders of parts. What a missing or short part does
// not hold is an error: the map of such an image calls it skipped, so nobody
// should ask.
func (j *joined) ReadAt(p []byte, off int64) (int, error) {
	done := 0
	for done < len(p) {
		at := off + int64(done)
		i := j.index(at)
		if i == len(j.parts) {
			return done, io.EOF
		}
		part := &j.parts[i]
		held := part.Start + part.Held - at
		if held <= 0 {
			return done, fmt.Errorf("part %s holds %d of %d bytes: there is nothing at offset %d of the image", part.Path, part.Held, part.Length, at)
		}
		n, err := j.readPart(i, p[done:done+int(min(held, int64(len(p)-done)))], at-part.Start)
		done += n
		if err != nil {
			return done, err
		}
	}
	return done, nil
}

// index is that of the part that holds the byte at off; len(parts) past the
// last.
func (j *joined) index(off int64) int {
	lo, hi := 0, len(j.parts)
	for lo < hi {
		if mid := (lo + hi) / 2; j.parts[mid].End() > off {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	return lo
}

func (j *joined) readPart(i int, p []byte, off int64) (int, error) {
	h, err := j.acquire(i)
	if err != nil {
		return 0, err
	}
	defer j.release(h)
	n, err := h.f.ReadAt(p, off)
	if err == io.EOF && n < len(p) {
		err = fmt.Errorf("part %s became shorter than its %d bytes: %w", j.parts[i].Path, j.parts[i].Held, io.ErrUnexpectedEOF)
	} else if err == io.EOF {
		err = nil // the end of a part is none of the image
	}
	return n, err
}

func (j *joined) acquire(i int) (*handle, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.closed {
		return nil, fs.ErrClosed
	}
	h := j.open[i]
	if h == nil {
		j.makeRoom()
		f, _, _, err := openFile(j.parts[i].Path)
		if err != nil {
			return nil, err
		}
		if was, ok := j.was[f.Name()]; ok { // a part that was replaced since gives nothing
			if st, err := f.Stat(); err != nil || !os.SameFile(st, was.was) {
				f.Close()
				return nil, fmt.Errorf("part %s: %w", f.Name(), ErrChanged)
			}
		}
		h = &handle{f: f}
		j.open[i] = h
	}
	j.clock++
	h.users, h.last = h.users+1, j.clock
	return h, nil
}

func (j *joined) release(h *handle) {
	j.mu.Lock()
	defer j.mu.Unlock()
	h.users--
	if j.closed && h.users == 0 {
		h.f.Close()
	}
}

// makeRoom closes the part that was unused longest, if there are many.
func (j *joined) makeRoom() {
	if len(j.open) < maxHandles {
		return
	}
	oldest := -1
	for i, h := range j.open {
		if h.users == 0 && (oldest < 0 || h.last < j.open[oldest].last) {
			oldest = i
		}
	}
	if oldest >= 0 { // else all are being read: one more, then
		j.open[oldest].f.Close()
		delete(j.open, oldest)
	}
}

// Close closes the files; those being read follow when that has ended.
func (j *joined) Close() error {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.closed = true
	var errs []error
	for _, h := range j.open {
		if h.users == 0 {
			errs = append(errs, h.f.Close())
		}
	}
	clear(j.open)
	return errors.Join(errs...)
}

package delivery

import (
	"cmp"
	"crypto/sha256"
	"fmt"
	"io"
	"os"
	"sync"
	"sync/atomic"

	"fileassay/extract/image"
	"fileassay/extract/unpack"
	"fileassay/verify/paths"
)

const (
	wholeLimit  = 1 << 20   // bytes of a file that is put together in memory and written at once
	wholeMemory = 256 << 20 // bytes of such files that may wait for their other pieces
	bigOpen     = 256       // larger files that are kept open, by all workers together
)

// bigFile is what a file that is written piece by piece has open. It may be
// closed and opened again in between: a drive holds more fragmented files than
// a process may have open.
type bigFile struct {
	mu   sync.Mutex
	f    *os.File
	made bool
	gone bool // finished
}

// close closes what is open of it.
func (b *bigFile) close() (err error) {
	if b.f != nil {
		err = b.f.Close()
		b.f = nil
	}
	return err
}

// copier writes and hashes the files of a plan.
type copier struct {
	r       *image.Reader
	t       *target
	files   []*file
	paths   *paths.Store // of files
	filler  []byte
	memory  atomic.Int64 // of files that wait for their other pieces
	open    [][]*file    // by worker, the oldest first
	scratch [][2][]byte  // by worker, for units: stored bytes, content
	finish  func(n int32, f *file) error
}

// hashedApart reports whether a goroutine of its own hashes a file while
// another writes it.
func (f *file) hashedApart() bool { return f.size > wholeLimit && len(f.units) == 0 }

// prepare sets what a file still waits for.
func (f *file) prepare() {
	f.left.Store(f.content)
	if f.hashedApart() {
		f.left.Store(2 * f.content)
	}
}

func (c *copier) place(f *file) string { return c.paths.String(f.place) }

// write takes an item of the sweep.
func (c *copier) write(worker int, it *item) error {
	f := c.files[it.file]
	if f.failed != "" {
		return nil
	}
	data := it.data
	switch {
	case it.err != nil:
		f.failed = unreadable(it.err)
	case it.unit >= 0:
		data = c.unpack(worker, f, &f.units[it.unit], data)
	}
	if f.failed != "" {
		return c.abandon(f)
	}
	n := int64(len(data))
	if f.size <= wholeLimit && f.big == nil {
		if n == f.size {
			return c.finishWhole(it.file, f, data)
		}
		if f.whole == nil && c.memory.Load() < wholeMemory {
			c.memory.Add(f.size)
			b := make([]byte, f.size)
			f.whole = &b
		}
		if f.whole != nil {
			copy((*f.whole)[it.off:], data)
			if f.left.Add(-n) > 0 {
				return nil
			}
			c.memory.Add(-f.size)
			b := *f.whole
			f.whole = nil
			return c.finishWhole(it.file, f, b)
		}
	}
	if err := c.writeBig(worker, f, it.off, data); err != nil {
		return err
	}
	if !f.hashedApart() {
		c.hashOf(f).put(it.prev, it.off, data)
	}
	if f.left.Add(-n) == 0 {
		return c.finishBig(it.file, f)
	}
	return nil
}

// hash takes an item of the sweep of a file that is hashed apart.
func (c *copier) hash(it *item) error {
	if it.err != nil {
		return nil // so of a file that is left out something is always left to hash
	}
	f := c.files[it.file]
	c.hashOf(f).put(it.prev, it.off, it.data)
	if f.left.Add(-int64(len(it.data))) == 0 {
		return c.finishBig(it.file, f)
	}
	return nil
}

func (c *copier) hashOf(f *file) *orderedHash {
	if f.hash == nil {
		f.hash = &orderedHash{h: sha256.New(), f: f, fill: c.filler}
	}
	return f.hash
}

// unpack is the content of a unit, in memory that is the worker's until its
// next one. Stored bytes that make no content, or that the image file does not
// give, fail the file, not the delivery.
func (c *copier) unpack(worker int, f *file, u *unit, first []byte) []byte {
	src := first
	if src == nil || len(u.stored) > 1 {
		var n int64
		for _, p := range u.stored {
			n += p.length
		}
		src = grown(&c.scratch[worker][0], n)
		for i, p := range u.stored {
			if i == 0 && first != nil {
				copy(src, first)
				continue
			}
			if _, err := c.r.ReadAt(src[p.off:p.off+p.length], p.image); err != nil {
				f.failed = unreadable(err)
				return nil
			}
		}
	}
	dst := grown(&c.scratch[worker][1], u.whole)
	if err := unpack.Unit(f.method, dst, src); err != nil {
		f.failed = packedFault(u, err)
	}
	return dst[:u.length]
}

// packedFault is why a file is left out whose unit does not unpack.
func packedFault(u *unit, err error) string {
	return fmt.Sprintf(becausePacked+"%d on is no compressed content: %v", u.off, err)
}

func grown(b *[]byte, n int64) []byte {
	if int64(len(*b)) < n {
		*b = make([]byte, n)
	}
	return (*b)[:n]
}

// abandon takes away what was written of a file.
func (c *copier) abandon(f *file) error {
	if f.whole != nil {
		c.memory.Add(-f.size)
		f.whole = nil
	}
	if f.big == nil || !f.big.made {
		return nil
	}
	f.big.mu.Lock()
	defer f.big.mu.Unlock()
	f.big.close()
	f.big.gone = true
	if err := c.t.root.Remove(c.place(f)); err != nil {
		return c.t.fault(c.place(f), err)
	}
	return nil
}

// writeBig writes a piece of a file.
func (c *copier) writeBig(worker int, f *file, off int64, data []byte) error {
	if f.big == nil {
		f.big = &bigFile{}
	}
	b := f.big
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.f == nil {
		if err := c.openBig(f); err != nil {
			return err
		}
		open := c.open[worker]
		if len(open) >= max(2, bigOpen/len(c.open)) {
			if old := open[0]; old != f {
				old.big.mu.Lock()
				err := old.big.close()
				old.big.mu.Unlock()
				if err != nil {
					return c.t.fault(c.place(old), err)
				}
			}
			open = append(open[:0], open[1:]...)
		}
		c.open[worker] = append(open, f)
	}
	if _, err := b.f.WriteAt(data, off); err != nil {
		return c.t.fault(c.place(f), err)
	}
	return nil
}

func (c *copier) openBig(f *file) error {
	b := f.big
	var err error
	if b.made {
		b.f, err = c.t.open(c.place(f), 0)
	} else if b.f, err = c.t.open(c.place(f), newFile); err == nil {
		b.made = true
		err = b.f.Truncate(f.size) // what is never written stays a hole
	}
	if err != nil {
		return c.t.fault(c.place(f), err)
	}
	return nil
}

// finishBig fills, hashes, stamps and closes a file all of whose content is
// written.
func (c *copier) finishBig(n int32, f *file) error {
	if f.big == nil {
		f.big = &bigFile{}
	}
	b := f.big
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.f == nil {
		if err := c.openBig(f); err != nil {
			return err
		}
	}
	err := c.fillMissing(b.f, f)
	if err == nil {
		f.sum, err = c.hashOf(f).finish(b.f)
	}
	err = cmp.Or(err, b.close())
	b.gone, f.hash = true, nil
	return c.end(n, f, err)
}

// end stamps a file that is written and closed, unless that failed.
func (c *copier) end(n int32, f *file, err error) error {
	if err == nil {
		err = c.t.stamp(c.place(f), f.modified, f.runs)
	}
	if err != nil {
		return c.t.fault(c.place(f), err)
	}
	return c.finish(n, f)
}

// fillMissing writes the filler over what is missing. Zeros stand there by
// themselves.
func (c *copier) fillMissing(w io.WriterAt, f *file) error {
	if zeros(c.filler) {
		return nil
	}
	for _, m := range f.missing {
		block := fillerBlock(c.filler, m.off)
		for at := m.off; at < m.end(); {
			n := min(m.end()-at, int64(len(block)))
			if _, err := w.WriteAt(block[:n], at); err != nil {
				return err
			}
			at += n
		}
	}
	return nil
}

// memory is a file in memory, which is not written past its end.
type memory []byte

func (m memory) WriteAt(b []byte, at int64) (int, error) { return copy(m[at:], b), nil }

// finishWhole makes a file whose content is all in memory. data has zeros in
// place of holes and missing ranges.
func (c *copier) finishWhole(n int32, f *file, data []byte) error {
	_ = c.fillMissing(memory(data), f) // memory takes all
	f.sum = sha256.Sum256(data)
	w, err := c.t.open(c.place(f), newFile)
	if err != nil {
		return c.t.fault(c.place(f), err)
	}
	if f.content == f.size || !zeros(c.filler) && len(f.missing) > 0 {
		if len(data) > 0 {
			_, err = w.Write(data)
		}
	} else {
		err = writeSparse(w, data)
	}
	return c.end(n, f, cmp.Or(err, w.Close()))
}

// writeSparse writes data, and leaves blocks of zeros out.
func writeSparse(w *os.File, data []byte) error {
	const block = 4096
	if err := w.Truncate(int64(len(data))); err != nil {
		return err
	}
	for at := 0; at < len(data); at += block {
		b := data[at:min(at+block, len(data))]
		if zeros(b) {
			continue
		}
		if _, err := w.WriteAt(b, int64(at)); err != nil {
			return err
		}
	}
	return nil
}

// finishEmpty makes a file of which the image holds nothing: an empty one, or
// one that is all holes.
func (c *copier) finishEmpty(n int32, f *file) error {
	if f.size <= wholeLimit {
		return c.finishWhole(n, f, make([]byte, f.size))
	}
	return c.finishBig(n, f)
}

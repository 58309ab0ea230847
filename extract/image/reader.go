// Package image reads the image of a failed drive through its imaging map: a
// byte of a sector that was not read cannot be had from it.
package image

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"os"
	"sync"

	"fileassay/extract/imap"
)

// UnreadError is returned for any byte that the drive did not give.
type UnreadError struct {
	Offset int64 // first unread byte of what was asked for
	Length int64 // unread bytes from there, in one run, as far as was asked
	State  imap.State
	Sector int64 // bytes a sector, for the message
}

func (e *UnreadError) Error() string {
	return fmt.Sprintf("%d bytes at offset %d (sector %d) were not read from the drive: %s",
		e.Length, e.Offset, e.Offset/max(e.Sector, 1), e.State)
}

// Options say how an image is opened.
type Options struct {
	Sector        int64 // bytes a sector; 0 is 512
	TrustDoubtful bool  // take doubtful ranges as read
	DriveSize     int64 // bytes of the drive where it is larger than the image; 0 is the image's size
}

// Reader reads an image, and only what the map calls read. It is safe for
// concurrent use.
type Reader struct {
	src    io.ReaderAt
	close  func() error
	size   int64 // of the image file
	drive  int64 // of the drive
	sector int64
	m      *imap.Map

	mu     sync.Mutex
	broken []imap.Range // where the image file itself could not be read
	later  *imap.Map    // m with broken in it; nil while broken is empty
}

// Size finds the size in bytes of an image file or block device without
// reading it.
func Size(path string) (int64, error) {
	f, size, err := openFile(path)
	if err != nil {
		return 0, err
	}
	return size, f.Close()
}

func openFile(path string) (*os.File, int64, error) {
	f, err := os.Open(path) // O_RDONLY: nothing is ever written to an image
	if err != nil {
		return nil, 0, err
	}
	st, err := f.Stat()
	if err != nil {
		f.Close()
		return nil, 0, err
	}
	size := st.Size()
	switch {
	case st.IsDir():
		err = errors.New("is a folder: give the image file or block device itself")
	case st.Mode()&fs.ModeDevice != 0:
		size, err = f.Seek(0, io.SeekEnd)
	case !st.Mode().IsRegular():
		err = errors.New("is neither a file nor a block device")
	}
	if err == nil && size == 0 {
		err = errors.New("is empty: there is no image in it")
	}
	if err != nil {
		f.Close()
		return nil, 0, fmt.Errorf("image %s: %w", path, err)
	}
	return f, size, nil
}

// Open opens the image file or block device at path, read-only.
func Open(path string, m *imap.Map, o Options) (*Reader, error) {
	f, size, err := openFile(path)
	if err != nil {
		return nil, err
	}
	r := New(f, size, m, o)
	r.close = f.Close
	return r, nil
}

// New reads an image of size bytes from src.
func New(src io.ReaderAt, size int64, m *imap.Map, o Options) *Reader {
	if o.Sector == 0 {
		o.Sector = 512
	}
	m = m.Outward(o.Sector)
	if o.TrustDoubtful {
		m = m.TrustDoubtful()
	}
	return &Reader{src: src, size: size, drive: max(size, o.DriveSize), sector: o.Sector, m: m}
}

// Close closes the image file.
func (r *Reader) Close() error {
	if r.close == nil {
		return nil
	}
	return r.close()
}

// Size is the size of the image in bytes.
func (r *Reader) Size() int64 { return r.size }

// DriveSize is the size of the drive in bytes: at least that of the image.
func (r *Reader) DriveSize() int64 { return r.drive }

// Sector is the number of bytes of a sector.
func (r *Reader) Sector() int64 { return r.sector }

// Map is the imaging map that holds: widened to whole sectors, with what could
// not be read of the image file itself as failed. What lies past the image's
// end must be asked of Over instead.
func (r *Reader) Map() *imap.Map {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.later != nil {
		return r.later
	}
	return r.m
}

// Broken are the ranges where the image file itself could not be read.
func (r *Reader) Broken() []imap.Range {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]imap.Range(nil), r.broken...)
}

// Over yields [off, off+n) cut into ranges of one state, in order, without
// gaps. What lies outside the image is Skipped.
func (r *Reader) Over(off, n int64) iter.Seq[imap.Range] {
	m := r.Map()
	return func(yield func(imap.Range) bool) {
		end := off + n
		inside := min(end, r.size)
		for rg := range m.Over(off, inside-off) {
			if !yield(rg) {
				return
			}
		}
		if start := max(off, r.size); start < end {
			yield(imap.Range{Start: start, Length: end - start, State: imap.Skipped})
		}
	}
}

// Unread yields the parts of [off, off+n) that were not read.
func (r *Reader) Unread(off, n int64) iter.Seq[imap.Range] {
	return func(yield func(imap.Range) bool) {
		for rg := range r.Over(off, n) {
			if rg.State != imap.Read && !yield(rg) {
				return
			}
		}
	}
}

// IsRead reports whether every byte of [off, off+n) was read.
func (r *Reader) IsRead(off, n int64) bool {
	if n <= 0 {
		return true
	}
	if off < 0 || off+n > r.size || off+n < off {
		return false
	}
	s, ok := r.Map().Uniform(off, n)
	return ok && s == imap.Read
}

// ReadAt reads len(p) bytes from off. If any of them was not read from the
// drive, or lies outside the image, it reads nothing and returns an
// [*UnreadError] that names the first unread run.
func (r *Reader) ReadAt(p []byte, off int64) (int, error) {
	n := int64(len(p))
	if n == 0 {
		return 0, nil
	}
	if off < 0 || off+n < off {
		return 0, &UnreadError{off, n, imap.Skipped, r.sector}
	}
	if !r.IsRead(off, n) {
		for u := range r.Unread(off, n) {
			return 0, &UnreadError{u.Start, u.Length, u.State, r.sector}
		}
	}
	if got, err := r.src.ReadAt(p, off); int64(got) < n {
		clear(p)
		return 0, r.readBroken(off, n, err)
	}
	return len(p), nil
}

// ReadReadable reads what was read of [off, off+len(p)) into p, with zeros in
// place of what was not, and returns the unread parts in order; nil where all
// was read. It is for structures of several sectors that are used as far as
// they were read.
func (r *Reader) ReadReadable(p []byte, off int64) []imap.Range {
	if _, err := r.ReadAt(p, off); err == nil {
		return nil
	}
	clear(p)
	var unread []imap.Range
	if off < 0 || off+int64(len(p)) < off {
		return []imap.Range{{Start: off, Length: int64(len(p)), State: imap.Skipped}}
	}
	for rg := range r.Over(off, int64(len(p))) {
		part := p[rg.Start-off : rg.End()-off]
		if rg.State == imap.Read {
			if _, err := r.ReadAt(part, rg.Start); err == nil {
				continue
			}
			// the image file failed here: its map now says where
			clear(part)
			for s := range r.Over(rg.Start, rg.Length) {
				if s.State == imap.Read {
					if _, err := r.ReadAt(p[s.Start-off:s.End()-off], s.Start); err == nil {
						continue
					}
					s.State = imap.Failed
					clear(p[s.Start-off : s.End()-off])
				}
				unread = append(unread, s)
			}
			continue
		}
		unread = append(unread, rg)
	}
	return unread
}

// readBroken finds which sectors of [off, off+n) the image file does not give,
// notes them as failed and returns the error for the first.
func (r *Reader) readBroken(off, n int64, cause error) error {
	var bad []imap.Range
	buf := make([]byte, r.sector)
	for at := off / r.sector * r.sector; at < off+n; at += r.sector {
		want := min(r.sector, r.size-at)
		if want <= 0 {
			break
		}
		if got, _ := r.src.ReadAt(buf[:want], at); int64(got) < want {
			if k := len(bad); k > 0 && bad[k-1].End() == at {
				bad[k-1].Length += want
			} else {
				bad = append(bad, imap.Range{Start: at, Length: want, State: imap.Failed})
			}
		}
	}
	if len(bad) == 0 { // it gave way once and not again: believe the first failure
		at := off / r.sector * r.sector
		end := min((off+n+r.sector-1)/r.sector*r.sector, r.size)
		bad = append(bad, imap.Range{Start: at, Length: end - at, State: imap.Failed})
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.broken = append(r.broken, bad...)
	r.later = r.m.With(r.broken)
	return fmt.Errorf("reading the image file: %w (%w)", &UnreadError{bad[0].Start, bad[0].Length, imap.Failed, r.sector}, cause)
}

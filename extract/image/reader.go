// Package image reads the image of a failed drive through its imaging map: a
// byte of a sector that was not read cannot be had from it.
package image

import (
	"fmt"
	"io"
	"iter"
	"math"

	"fileassay/extract/imap"
	"fileassay/extract/ranges"
)

// UnreadError is returned for any byte that the drive did not give.
type UnreadError struct {
	Offset int64 // in the image, of the first unread byte of what was asked for; or Elsewhere
	Length int64 // unread bytes from there, of one state, as far as was asked
	State  imap.State
	Sector int64 // bytes a sector, for the message
}

func (e *UnreadError) Error() string {
	if e.Offset == Elsewhere {
		return fmt.Sprintf("%d bytes lie on another drive", e.Length)
	}
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
// concurrent use. What it says of the map does not change while it reads: where
// the image file itself gives an error that is an error of that read, is noted,
// and counts as failed for the reader of the next pass; see [Reader.Again].
type Reader struct {
	src    io.ReaderAt
	close  func() error
	size   int64 // of the image file
	drive  int64 // of the drive
	sector int64
	m      *imap.Map // in whole sectors, nothing past the image's end
	said   *imap.Map // m before doubtful ranges were trusted
	under  *Reader   // what it is a layer of; nil for the image itself
	runs   Runs      // and how it is put together from it

	files  []openedFile // that it reads; none where it was made of something else
	broken []imap.Range // what the image file did not give in passes before
	faults faults       // and in this one
}

// New reads an image of size bytes from src. A sector that the image's end
// cuts off counts as skipped, unless the drive ends there too.
func New(src io.ReaderAt, size int64, m *imap.Map, o Options) *Reader {
	return newReader(src, size, m, o, nil)
}

// newReader is New of an image that does not hold the ranges in gaps.
func newReader(src io.ReaderAt, size int64, m *imap.Map, o Options, gaps []imap.Range) *Reader {
	r := &Reader{src: src, size: size, drive: max(size, o.DriveSize), sector: o.Sector}
	if r.sector <= 0 {
		r.sector = 512
	}
	if m == nil {
		m = &imap.Map{}
	}
	whole := size
	if r.drive > size {
		whole -= size % r.sector
	}
	r.m = m.Outward(r.sector, r.drive).Cut(whole)
	if len(gaps) > 0 {
		r.m = r.m.With(gaps).Outward(r.sector, r.drive)
	}
	r.said = r.m
	if o.TrustDoubtful {
		r.m = r.m.TrustDoubtful()
	}
	return r
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

// Tally counts the bytes of the drive, [0, DriveSize), by state, as the map
// has them in whole sectors: doubtful ones are counted as such even where they
// are trusted. What the image file did not give in passes before has failed.
func (r *Reader) Tally() imap.Tally { return r.said.Tally(0, r.drive) }

// TallyOf is Tally of [off, off+n).
func (r *Reader) TallyOf(off, n int64) imap.Tally { return r.said.Tally(off, n) }

// From is the image from off on, as an image of its own: for a drive that
// begins inside a file.
func (r *Reader) From(off int64) *Reader {
	return r.layer(Runs{{0, off, math.MaxInt64 - off}}, r.size-off, r.drive-off, nil)
}

// Without is the image with some ranges called failed that the map may call read:
// those that what stands in front of a volume says are not its content.
func (r *Reader) Without(list []ranges.Range) *Reader {
	var bad []imap.Range
	for _, b := range list {
		bad = append(bad, imap.Range{Start: b.Start, Length: b.Len(), State: imap.Failed})
	}
	return r.layer(Runs{{0, 0, math.MaxInt64}}, r.size, r.drive, bad)
}

// Map is the imaging map that holds: in whole sectors, with what the image file
// did not give in passes before as failed, and nothing past the image's end.
func (r *Reader) Map() *imap.Map { return r.m }

// Over yields [off, off+n) cut into ranges of one state, in order, without
// gaps and as long as they can be. What lies outside the image is Skipped.
func (r *Reader) Over(off, n int64) iter.Seq[imap.Range] { return r.m.Over(off, n) }

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
	if off > math.MaxInt64-n {
		return false
	}
	s, ok := r.m.Uniform(off, n)
	return ok && s == imap.Read
}

// unreadAt is the error for n bytes from off, one of which at least was not
// read.
func (r *Reader) unreadAt(off, n int64) error {
	for u := range r.Unread(off, n) {
		return &UnreadError{r.Origin(u.Start), u.Length, u.State, r.sector}
	}
	// only at the last offset there is, past which no byte can be named
	return &UnreadError{r.Origin(off), n, imap.Skipped, r.sector}
}

// ReadAt reads len(p) bytes from off. If any of them was not read from the
// drive, or lies outside the image, it reads nothing and returns an
// [*UnreadError] that names the first unread run. If the image file itself
// cannot be read there, the error holds an [*UnreadError] too, those places are
// noted and not asked for again, and p is zeros.
func (r *Reader) ReadAt(p []byte, off int64) (int, error) {
	n := int64(len(p))
	if n == 0 {
		return 0, nil
	}
	if !r.IsRead(off, n) {
		return 0, r.unreadAt(off, n)
	}
	if bad, cause := r.fill(p, off); len(bad) > 0 {
		clear(p)
		return 0, fmt.Errorf("reading the image file: %w (%w)",
			&UnreadError{r.Origin(bad[0].Start), bad[0].Length, imap.Failed, r.sector}, cause)
	}
	return len(p), nil
}

// ReadReadable reads what was read of [off, off+len(p)) into p, with zeros in
// place of what was not, and returns the unread parts in order; nil where all
// was read. It is for structures of several sectors that are used as far as
// they were read.
func (r *Reader) ReadReadable(p []byte, off int64) []imap.Range {
	n := int64(len(p))
	if n == 0 {
		return nil
	}
	if off > math.MaxInt64-n {
		clear(p)
		return []imap.Range{{Start: off, Length: n, State: imap.Skipped}}
	}
	if r.IsRead(off, n) {
		bad, _ := r.fill(p, off)
		return bad
	}
	var unread []imap.Range
	for rg := range r.Over(off, n) {
		part := p[rg.Start-off : rg.End()-off]
		if rg.State == imap.Read {
			bad, _ := r.fill(part, rg.Start)
			for _, b := range bad {
				unread = join(unread, b)
			}
			continue
		}
		clear(part)
		unread = join(unread, rg)
	}
	return unread
}

// join appends rg to list, as one with the last range where it continues it.
func join(list []imap.Range, rg imap.Range) []imap.Range {
	if k := len(list) - 1; k >= 0 && list[k].End() == rg.Start && list[k].State == rg.State {
		list[k].Length += rg.Length
		return list
	}
	return append(list, rg)
}

package fat

import (
	"encoding/binary"
	"io"
	"math/rand/v2"

	"fileassay/extract/image"
	"fileassay/extract/imap"
)

// Disk is an image in memory that takes room only where something was written.
// The zero value but for Size is an image of zeros.
type Disk struct {
	Size  int64
	pages map[int64]*[pageSize]byte
	lost  []imap.Range
}

const pageSize = 4096

// ReadAt is for [io.ReaderAt].
func (d *Disk) ReadAt(p []byte, off int64) (int, error) {
	n := 0
	for n < len(p) {
		if off >= d.Size {
			return n, io.EOF
		}
		i := off % pageSize
		k := min(int64(len(p)-n), pageSize-i, d.Size-off)
		if page := d.pages[off/pageSize]; page != nil {
			copy(p[n:n+int(k)], page[i:])
		} else {
			clear(p[n : n+int(k)])
		}
		n += int(k)
		off += k
	}
	return n, nil
}

// Write puts b at an offset.
func (d *Disk) Write(off int64, b []byte) {
	if d.pages == nil {
		d.pages = map[int64]*[pageSize]byte{}
	}
	for len(b) > 0 {
		page := d.pages[off/pageSize]
		if page == nil {
			page = new([pageSize]byte)
			d.pages[off/pageSize] = page
		}
		n := copy(page[off%pageSize:], b)
		b = b[n:]
		off += int64(n)
	}
}

// Read returns n bytes from an offset.
func (d *Disk) Read(off int64, n int) []byte {
	b := make([]byte, n)
	_, _ = d.ReadAt(b, off)
	return b
}

// Put16 and Put32 write little-endian values.
func (d *Disk) Put16(off int64, v uint16) {
	d.Write(off, binary.LittleEndian.AppendUint16(nil, v))
}

// Put32 writes a little-endian value.
func (d *Disk) Put32(off int64, v uint32) {
	d.Write(off, binary.LittleEndian.AppendUint32(nil, v))
}

// Lose makes a range unread. Ranges must not overlap.
func (d *Disk) Lose(off, n int64) {
	d.lost = append(d.lost, imap.Range{Start: off, Length: n, State: imap.Failed})
}

// Lost are the ranges that were made unread.
func (d *Disk) Lost() []imap.Range { return d.lost }

// Scribble writes random bytes over all that was made unread.
func (d *Disk) Scribble(seed uint64) {
	rnd := rand.New(rand.NewPCG(seed, 1))
	for _, r := range d.lost {
		b := make([]byte, r.Length)
		for i := range b {
			b[i] = byte(rnd.Uint32())
		}
		d.Write(r.Start, b)
	}
}

// Reader reads the image through a map in which what was lost is failed.
func (d *Disk) Reader() *image.Reader {
	return image.New(d, d.Size, Map(d.Size, d.lost), image.Options{})
}

// Map is a map of size bytes that were read but for the lost ranges.
func Map(size int64, lost []imap.Range) *imap.Map {
	m := imap.All(size)
	if len(lost) > 0 {
		m = m.With(lost)
	}
	return m
}

package lawtest

import (
	"io"
	"slices"
	"sync"
	"sync/atomic"
)

// sectorSize is the bytes of a sector in all that is tried here.
const sectorSize = 512

// disk is an image of which some sectors were exchanged. It notes what is read.
type disk struct {
	base  []byte
	over  map[int64][]byte // sectors that hold something else
	read  atomic.Int64     // bytes that were read
	mu    sync.Mutex
	marks map[int64]bool // sectors that were read, where not nil
}

// ReadAt is for [io.ReaderAt].
func (d *disk) ReadAt(p []byte, off int64) (int, error) {
	if off >= int64(len(d.base)) {
		return 0, io.EOF
	}
	n := copy(p, d.base[off:])
	d.read.Add(int64(n))
	end := off + int64(n)
	for s := off / sectorSize; s*sectorSize < end; s++ {
		if b, ok := d.over[s]; ok {
			at := s * sectorSize
			lo, hi := max(at, off), min(at+sectorSize, end)
			copy(p[lo-off:hi-off], b[lo-at:hi-at])
		}
		if d.marks != nil {
			d.mu.Lock()
			d.marks[s] = true
			d.mu.Unlock()
		}
	}
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

// bytes is a copy of n bytes from off.
func (d *disk) bytes(off, n int64) []byte {
	b := make([]byte, n)
	plain := disk{base: d.base, over: d.over}
	_, _ = plain.ReadAt(b, off) // what lies past the end is zeros
	return b
}

// put exchanges bytes from off on.
func (d *disk) put(off int64, b []byte) {
	for s := off / sectorSize; s*sectorSize < off+int64(len(b)) && s*sectorSize < int64(len(d.base)); s++ {
		at := s * sectorSize
		sector := d.bytes(at, sectorSize)
		lo, hi := max(at, off), min(at+sectorSize, off+int64(len(b)))
		copy(sector[lo-at:hi-at], b[lo-off:hi-off])
		if d.over == nil {
			d.over = map[int64][]byte{}
		}
		d.over[s] = sector
	}
}

// within takes back what was exchanged outside the given sectors.
func (d *disk) within(sectors []int64) *disk {
	for k := range d.over {
		if _, found := slices.BinarySearch(sectors, k); !found {
			delete(d.over, k)
		}
	}
	return d
}

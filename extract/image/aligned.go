package image

import (
	"errors"
	"io"
	"sync"
)

// aligned reads a device that gives whole sectors only, at any place and
// length. It is safe for concurrent use.
type aligned struct {
	src  io.ReaderAt
	size int64
	unit int64 // bytes of a sector, a power of two
	bufs sync.Pool
}

// alignedChunk is how much is read at once where the request is not aligned.
const alignedChunk = 1 << 20

func newAligned(src io.ReaderAt, size, unit int64) *aligned {
	a := &aligned{src: src, size: size, unit: unit}
	a.bufs.New = func() any {
		b := make([]byte, alignedChunk)
		return &b
	}
	return a
}

// ReadAt reads p as it is where it begins and ends with sectors, else by way
// of a buffer.
func (a *aligned) ReadAt(p []byte, off int64) (int, error) {
	if off < 0 {
		return 0, errors.New("reading a device before its start")
	}
	n := int64(len(p))
	if off%a.unit == 0 && n%a.unit == 0 && off+n <= a.size {
		return a.src.ReadAt(p, off)
	}
	buf := a.bufs.Get().(*[]byte)
	defer a.bufs.Put(buf)
	done := int64(0)
	for done < n {
		at := off + done
		if at >= a.size {
			return int(done), io.EOF
		}
		start := at &^ (a.unit - 1)
		end := min((off+n+a.unit-1)&^(a.unit-1), start+alignedChunk)
		got, err := a.src.ReadAt((*buf)[:end-start], start)
		if int64(got) > at-start {
			done += int64(copy(p[done:], (*buf)[at-start:got]))
		}
		if done < n && int64(got) < end-start {
			if err == nil {
				err = io.ErrUnexpectedEOF
			}
			return int(done), err
		}
	}
	return int(done), nil
}

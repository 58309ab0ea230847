package volume

import (
	"bytes"

	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/partial"
)

// windowSize is how much of the image a [Kind]'s Sniff is shown.
const windowSize = 4096

// step is the distance of the places where a volume's structures may begin:
// drives of 4096-byte sectors too hold superblocks 1024 bytes into a volume.
const step = 512

// window reads what was read of the bytes from at, up to the first unread
// sector, into buf and returns it; empty where the first is unread.
func window(r *image.Reader, buf []byte, at int64) []byte {
	if at < 0 || at >= r.Size() {
		return nil
	}
	n := int64(0)
	for rg := range r.Over(at, min(int64(len(buf)), r.Size()-at)) {
		if rg.State == imap.Read {
			n = rg.Length
		}
		break
	}
	if n == 0 {
		return nil
	}
	if _, err := r.ReadAt(buf[:n], at); err != nil {
		return nil // the image file failed here: these sectors count as unread from now on
	}
	return buf[:n]
}

// nearby is a part of the image that is kept, since copies are looked for in many
// places beside each other.
type nearby struct {
	at   int64 // -1 where none is
	part partial.Bytes
	buf  []byte
}

// nearSize is how much is kept.
const nearSize = 16 << 10

// near is [window] from what is kept.
func (p *places) near(at int64) []byte {
	if at < 0 || at >= p.r.Size() {
		return nil
	}
	n := &p.nearby
	if base := at / nearSize * nearSize; n.buf == nil || n.at != base {
		if n.buf == nil {
			n.buf = make([]byte, nearSize+windowSize)
		}
		n.at, n.part = base, p.r.Partial(n.buf[:min(int64(len(n.buf)), p.r.Size()-base)], base)
	}
	off := int(at - n.at)
	for size := min(windowSize, n.part.Len()-off); size > 0; size = (size - 1) / step * step {
		if win, ok := n.part.Get(off, size); ok {
			return win
		}
	}
	return nil
}

// unreadBytes is the number of bytes of [off, off+n) that were not read.
func unreadBytes(r *image.Reader, off, n int64) int64 {
	var sum int64
	for u := range r.Unread(off, n) {
		sum += u.Length
	}
	return sum
}

// isZero reports whether b holds nothing but zeros: each byte is like the one
// before it.
func isZero(b []byte) bool { return len(b) == 0 || b[0] == 0 && bytes.Equal(b[1:], b[:len(b)-1]) }

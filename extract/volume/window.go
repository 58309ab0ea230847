package volume

import (
	"bytes"

	"fileassay/extract/image"
	"fileassay/extract/imap"
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

// Package unpack undoes the compression of file contents that filesystems do:
// unit by unit, whatever the bytes are.
package unpack

import (
	"bytes"
	"errors"
	"fmt"
	"io"

	"github.com/klauspost/compress/zlib"
)

// The methods.
const (
	LZNT1  = "lznt1"  // NTFS compression units
	XPRESS = "xpress" // Windows system compression, Huffman form
	LZX    = "lzx"    // Windows system compression
	Zlib   = "zlib"   // Apple
	LZVN   = "lzvn"   // Apple
	LZFSE  = "lzfse"  // Apple
	Marked = "marked" // Apple: as it is, behind one byte
)

// ErrMethod is returned for a method that is not known.
var ErrMethod = errors.New("the method of compression is not known")

var errShort = errors.New("there is less content than the unit holds")

// Unit unpacks the stored bytes of one unit into dst, which is as long as the
// unit's content: for LZNT1 that of the whole unit, even of the last one of a
// file, which is packed with what stands behind the file's end.
func Unit(method string, dst, src []byte) error {
	n, err := unit(method, dst, src)
	if err != nil {
		return fmt.Errorf("%s: %w", method, err)
	}
	if n < len(dst) {
		return fmt.Errorf("%s: %w: %d bytes of %d", method, errShort, n, len(dst))
	}
	return nil
}

func unit(method string, dst, src []byte) (int, error) {
	switch method {
	case LZNT1:
		// what a unit leaves out reads as zeros; but one of zeros alone is a hole
		n, err := lznt1(dst, src)
		if n == 0 {
			return 0, err
		}
		return len(dst), err
	case XPRESS:
		if len(src) == len(dst) { // a chunk that would not shrink is kept as it is
			return copy(dst, src), nil
		}
		return xpress(dst, src)
	case LZX:
		if len(src) == len(dst) {
			return copy(dst, src), nil
		}
		return lzxUnit(dst, src)
	case Zlib:
		if len(src) > 0 && Kept(method, src[0]) {
			return marked(dst, src)
		}
		return zlibUnit(dst, src)
	case LZVN:
		if len(src) > 0 && Kept(method, src[0]) {
			return marked(dst, src)
		}
		out, _, err := lzvn(dst, 0, src)
		return out, err
	case LZFSE:
		if len(src) > 0 && Kept(method, src[0]) {
			return marked(dst, src)
		}
		return lzfse(dst, src)
	case Marked:
		if len(src) == 0 {
			return 0, errShort
		}
		return marked(dst, src)
	}
	return 0, ErrMethod
}

// Kept reports whether a unit of one of Apple's methods begins with the byte that
// marks content which is kept as it is behind it.
func Kept(method string, first byte) bool {
	switch method {
	case Zlib:
		return first&0x0f == 0x0f
	case LZVN:
		return first == 0x06
	case LZFSE:
		return first == 0xff
	}
	return method == Marked
}

// Fits reports whether a unit of one of Apple's methods that has so many bytes of
// content, and is stored in so many, may begin with the bytes of head.
func Fits(method string, head []byte, stored, content int64) bool {
	if len(head) == 0 {
		return true
	}
	first := head[0]
	switch {
	case Kept(method, first):
		return stored == content+1
	case method == Zlib: // RFC 1950: the method, the window, and a check of both
		return first&0x0f == 8 && first>>4 <= 7 && (len(head) < 2 || (int(first)<<8|int(head[1]))%31 == 0)
	case method == LZVN: // nothing stands before it that it could repeat
		switch {
		case first == 0x0e || first == 0x16 || first&0xf0 == 0xe0:
			return true
		case first&0xe0 == 0xa0:
			return first>>3&3 != 0
		}
		return first>>6 != 0 && first&0xf0 != 0x70 && first&0xf0 != 0xd0 && first < 0xf0
	case method == LZFSE:
		return bytes.HasPrefix([]byte("bvx"), head[:min(len(head), 3)])
	}
	return true
}

// marked copies content that is kept as it is behind one byte.
func marked(dst, src []byte) (int, error) {
	if len(src)-1 > len(dst) {
		return 0, errMore
	}
	return copy(dst, src[1:]), nil
}

// zlibUnit undoes zlib [RFC 1950]. Its check sum is looked at only by who reads
// to the very end, which also tells whether there is more content.
func zlibUnit(dst, src []byte) (int, error) {
	r, err := zlib.NewReader(bytes.NewReader(src))
	if err != nil {
		return 0, err
	}
	defer r.Close()
	n, err := io.ReadFull(r, dst)
	if err != nil {
		return n, err
	}
	var more [1]byte
	switch _, err := io.ReadFull(r, more[:]); err {
	case io.EOF:
		return n, nil
	case nil:
		return n, errMore
	default:
		return n, err
	}
}

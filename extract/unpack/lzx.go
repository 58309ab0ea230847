package unpack

import (
	"bytes"
	"errors"
	"fmt"
	"io"

	"github.com/Microsoft/go-winio/wim/lzx"
)

var errLZX = errors.New("the stored bytes are no LZX stream")

// lzxUnit undoes LZX as archives and compressed system files of Windows have
// it. The library that does it takes blocks until it has what it was asked for,
// and says nothing of what they hold beyond that. So it is asked for a byte more
// as well: where it has that, this is not the unit's content.
func lzxUnit(dst, src []byte) (int, error) {
	n, err := lzxRead(dst, src)
	if err != nil || len(dst) >= lzxWindow { // a whole window can hold no more
		return n, err
	}
	if _, err := lzxRead(make([]byte, len(dst)+1), src); err == nil {
		return n, errMore
	}
	return n, nil
}

const lzxWindow = 32 << 10

// lzxRead unpacks as many bytes as dst has. The library was made for bytes that
// a system wrote: some that no system writes make it panic, and such a panic is
// an error here.
func lzxRead(dst, src []byte) (n int, err error) {
	defer func() {
		if p := recover(); p != nil {
			n, err = 0, fmt.Errorf("%w: %v", errLZX, p)
		}
	}()
	r, err := lzx.NewReader(bytes.NewReader(src), len(dst))
	if err != nil {
		return 0, err
	}
	defer r.Close()
	return io.ReadFull(r, dst)
}

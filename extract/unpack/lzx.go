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
// it. The library that does it was made for bytes that a system wrote: some
// that no system writes make it panic, and such a panic is an error here.
func lzxUnit(dst, src []byte) (n int, err error) {
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

package image

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// fileHoles yields the holes among the first size bytes of a file (lseek(2):
// SEEK_HOLE, SEEK_DATA); ok is false where its filesystem does not tell. It
// moves the place of reading, which ReadAt does not mind.
func fileHoles(f *os.File, size int64, yield func(start, length int64)) (ok bool) {
	for at := int64(0); at < size; {
		hole, err := f.Seek(at, unix.SEEK_HOLE)
		if err != nil {
			return false
		}
		if hole >= size { // the end of a file counts as one
			return true
		}
		end, err := f.Seek(hole, unix.SEEK_DATA)
		switch {
		case errors.Is(err, unix.ENXIO): // up to the file's end
			end = size
		case err != nil || end <= hole:
			return false
		}
		end = min(end, size)
		yield(hole, end-hole)
		at = end
	}
	return true
}

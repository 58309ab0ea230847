//go:build !linux && !darwin && !windows

package image

import "os"

// isRawDevice reports whether the path is that of a device which cannot be
// described as a file: there are none here.
func isRawDevice(string) bool { return false }

// deviceSize is the size of a device by where its end is; its sectors are not
// known.
func deviceSize(f *os.File) (size, unit int64, err error) {
	size, err = seekSize(f)
	return size, 512, err
}

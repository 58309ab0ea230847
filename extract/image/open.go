package image

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime"

	"fileassay/extract/imap"
)

// Open opens the image file or block device at path, read-only. It fails if
// the options cannot be meant so.
func Open(path string, m *imap.Map, o Options) (*Reader, error) {
	if s := o.Sector; s != 0 && (s < 512 || s > 1<<16 || s&(s-1) != 0) {
		return nil, fmt.Errorf("sector size of %d bytes: should be a power of two from 512 to 65536", s)
	}
	f, size, err := openFile(path)
	if err != nil {
		return nil, err
	}
	if o.DriveSize != 0 && o.DriveSize < size {
		f.Close()
		return nil, fmt.Errorf("image %s: has %d bytes, more than the drive with %d: give the drive's true size, or none", path, size, o.DriveSize)
	}
	r := New(f, size, m, o)
	r.close = f.Close
	return r, nil
}

// Size finds the size in bytes of an image file or block device without
// reading it.
func Size(path string) (int64, error) {
	f, size, err := openFile(path)
	if err != nil {
		return 0, err
	}
	return size, f.Close()
}

// openFile opens what can hold an image. It looks first: to open a pipe waits
// for its other end, and to open some devices sets them going.
func openFile(path string) (*os.File, int64, error) {
	st, err := os.Stat(path)
	if err == nil {
		if err := canHoldImage(st.Mode()); err != nil {
			return nil, 0, fmt.Errorf("image %s: %w", path, err)
		}
	} else if errors.Is(err, fs.ErrNotExist) {
		return nil, 0, fmt.Errorf("image cannot be opened: %w", err)
	} // else: a device may not be looked at and yet open, as on Windows
	f, err := os.Open(path) // O_RDONLY: nothing is ever written to an image
	if err != nil {
		return nil, 0, fmt.Errorf("image cannot be opened: %w", err)
	}
	size, err := sizeOf(f)
	if err != nil {
		f.Close()
		return nil, 0, fmt.Errorf("image %s: %w", path, err)
	}
	return f, size, nil
}

func canHoldImage(mode fs.FileMode) error {
	switch {
	case mode.IsDir():
		return errors.New("is a folder: give the image file or block device itself")
	case mode.IsRegular():
		return nil
	case mode&fs.ModeNamedPipe != 0:
		return errors.New("is a pipe, which cannot be read at any offset: write it to a file first")
	case mode&fs.ModeSocket != 0:
		return errors.New("is a socket: give an image file or block device")
	case mode&fs.ModeCharDevice != 0 && runtime.GOOS == "linux": // elsewhere disks may be such
		return errors.New("is a character device: give an image file or block device")
	case mode&fs.ModeDevice != 0:
		return nil
	}
	return errors.New("is neither a file nor a block device")
}

func sizeOf(f *os.File) (int64, error) {
	st, err := f.Stat()
	if err != nil {
		return 0, err
	}
	if err := canHoldImage(st.Mode()); err != nil {
		return 0, err
	}
	if st.Mode().IsRegular() {
		if st.Size() == 0 {
			return 0, errors.New("is empty: there is no image in it")
		}
		return st.Size(), nil
	}
	size, err := f.Seek(0, io.SeekEnd)
	if err != nil {
		return 0, fmt.Errorf("the size of the device is not known: %w", err)
	}
	if size == 0 {
		return 0, errors.New("the system gives the device no size: is there a medium in it? Else copy it to an image file")
	}
	return size, nil
}

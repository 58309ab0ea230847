package image

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime"
	"syscall"

	"fileassay/extract/imap"
)

// Open opens the image file or block device at path, read-only, whatever
// stands beside it; for an image in parts see [Look]. It fails if the options
// cannot be meant so.
func Open(path string, m *imap.Map, o Options) (*Reader, error) {
	s, err := Look(path, PartOptions{Whole: true})
	if err != nil {
		return nil, err
	}
	return s.Open(m, o)
}

// Size finds the size in bytes of an image file or block device without
// reading it.
func Size(path string) (int64, error) {
	s, err := Look(path, PartOptions{Whole: true})
	if err != nil {
		return 0, err
	}
	return s.Size, nil
}

// openFile opens what can hold an image and finds its size, and how many bytes
// it gives at a time: 0 for a file, which gives any number. It looks first: to
// open a pipe waits for its other end, and to open some devices sets them
// going.
func openFile(path string) (f *os.File, size, unit int64, err error) {
	flag := os.O_RDONLY // nothing is ever written to an image
	if !isRawDevice(path) {
		flag |= syscall.O_NONBLOCK // what stands there may be another thing by then: a pipe must not be waited for
		st, err := os.Stat(path)
		if err == nil {
			if err := canHoldImage(st.Mode()); err != nil {
				return nil, 0, 0, fmt.Errorf("image %s: %w", path, err)
			}
		} else if errors.Is(err, fs.ErrNotExist) {
			return nil, 0, 0, fmt.Errorf("image cannot be opened: %w", err)
		} // else: what cannot be looked at may open, and else says why not
	}
	f, err = os.OpenFile(path, flag, 0)
	if err != nil {
		return nil, 0, 0, fmt.Errorf("image cannot be opened: %w", err)
	}
	size, unit, err = sizeOf(f)
	if err != nil {
		f.Close()
		return nil, 0, 0, fmt.Errorf("image %s: %w", path, err)
	}
	return f, size, unit, nil
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

func sizeOf(f *os.File) (size, unit int64, err error) {
	if !isRawDevice(f.Name()) { // which some systems cannot describe as a file
		st, err := f.Stat()
		if err != nil {
			return 0, 0, err
		}
		if err := canHoldImage(st.Mode()); err != nil {
			return 0, 0, err
		}
		if st.Mode().IsRegular() {
			if st.Size() == 0 {
				return 0, 0, errors.New("is empty: there is no image in it")
			}
			return st.Size(), 0, nil
		}
	}
	size, unit, err = deviceSize(f)
	if err != nil {
		return 0, 0, fmt.Errorf("the size of the device is not known: %w", err)
	}
	if size <= 0 {
		return 0, 0, errors.New("the system gives the device no size: is there a medium in it? Else copy it to an image file")
	}
	if unit < 512 || unit > 1<<16 || unit&(unit-1) != 0 {
		unit = 512 // no sector has such a size: the smallest there is
	}
	return size, unit, nil
}

// seekSize is the size of a device by where its end is.
func seekSize(f *os.File) (int64, error) { return f.Seek(0, io.SeekEnd) }

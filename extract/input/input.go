// Package input opens what a run reads beside its image: maps, lists, recipes
// and the like.
package input

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"syscall"
)

// Open opens the file at path to be read; kind is what errors call it. It must
// be a regular file. It looks before it opens: to open a pipe waits for its
// other end, and to open some devices sets them going.
func Open(kind, path string) (*os.File, error) {
	st, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be opened: %w", kind, err)
	}
	if err := regular(st); err != nil {
		return nil, fmt.Errorf("%s %s: %w", kind, path, err)
	}
	// what stands there may be another thing by now: a pipe must not be waited for
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be opened: %w", kind, err)
	}
	if st, err = f.Stat(); err == nil {
		err = regular(st)
	}
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("%s %s: %w", kind, path, err)
	}
	return f, nil
}

// Read reads a small file that must be regular. One of more than limit bytes
// is an error.
func Read(kind, path string, limit int64) ([]byte, error) {
	f, err := Open(kind, path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, limit+1))
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", kind, err)
	}
	if int64(len(data)) > limit {
		return nil, fmt.Errorf("%s %s: has more than %d bytes; is it the right file?", kind, path, limit)
	}
	return data, nil
}

// regular says what a file is that is not regular, and what to do.
func regular(st fs.FileInfo) error {
	mode := st.Mode()
	switch {
	case mode.IsRegular():
		return nil
	case mode.IsDir():
		return errors.New("is a folder: give the file itself")
	case mode&fs.ModeNamedPipe != 0:
		return errors.New("is a pipe: write what it gives to a file first")
	case mode&fs.ModeSocket != 0:
		return errors.New("is a socket: give a file")
	case mode&fs.ModeDevice != 0:
		return errors.New("is a device: give a file")
	}
	return errors.New("is no regular file: give a file")
}

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
	f, err := open(path, os.Stat, os.OpenFile)
	if kept, ok := errors.AsType[*KindError](err); ok {
		return nil, fmt.Errorf("%s %s: %w%s", kind, path, kept, kept.advice())
	}
	if err != nil {
		return nil, fmt.Errorf("%s cannot be opened: %w", kind, err)
	}
	return f, nil
}

// OpenIn is Open of a file in a folder: nothing outside it is opened. Errors
// are [*KindError] or those of the folder.
func OpenIn(root *os.Root, name string) (*os.File, error) {
	return open(name, root.Stat, root.OpenFile)
}

// open opens a regular file, at which it looks before and after.
func open(name string, look func(string) (fs.FileInfo, error), open func(string, int, fs.FileMode) (*os.File, error)) (*os.File, error) {
	st, err := look(name)
	if err == nil {
		err = regular(st)
	}
	if err != nil {
		return nil, err
	}
	// what stands there may be another thing by now: a pipe must not be waited for
	f, err := open(name, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	if st, err = f.Stat(); err == nil {
		err = regular(st)
	}
	if err != nil {
		f.Close()
		return nil, err
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

// KindError says that what stands under a name is no regular file.
type KindError struct{ Mode fs.FileMode }

func regular(st fs.FileInfo) error {
	if st.Mode().IsRegular() {
		return nil
	}
	return &KindError{st.Mode()}
}

func (e *KindError) Error() string {
	switch {
	case e.Mode.IsDir():
		return "is a folder"
	case e.Mode&fs.ModeNamedPipe != 0:
		return "is a pipe"
	case e.Mode&fs.ModeSocket != 0:
		return "is a socket"
	case e.Mode&fs.ModeDevice != 0:
		return "is a device"
	}
	return "is no regular file"
}

// advice says what to give instead.
func (e *KindError) advice() string {
	switch {
	case e.Mode.IsDir():
		return ": give the file itself"
	case e.Mode&fs.ModeNamedPipe != 0:
		return ": write what it gives to a file first"
	}
	return ": give a file"
}

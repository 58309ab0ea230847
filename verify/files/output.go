package files

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// OutputError says that an output could not be written. Nothing half-written
// stands under Path.
type OutputError struct {
	Path string
	Err  error
}

func (e *OutputError) Error() string { return fmt.Sprintf("output %s: %v", e.Path, e.Err) }
func (e *OutputError) Unwrap() error { return e.Err }

// ErrExists is the cause of an OutputError where something stands under the
// output's name already.
var ErrExists = errors.New("exists already; give another name, or --force to replace it")

// Output is a file that comes into being whole: written beside its final name,
// synced, renamed.
type Output struct {
	path  string
	force bool
	tmp   *os.File
	buf   *bufio.Writer
}

// Create begins an output. inputs are files that it must never replace, not
// even by force.
func Create(path string, force bool, inputs ...string) (*Output, error) {
	if st, err := os.Stat(path); err == nil {
		if st.IsDir() {
			return nil, &OutputError{path, errors.New("is a folder; name a file in it")}
		}
		for _, in := range inputs {
			if ist, err := os.Stat(in); err == nil && os.SameFile(st, ist) {
				return nil, &OutputError{path, errors.New("is one of the inputs; inputs are never written to")}
			}
		}
		if !force {
			return nil, &OutputError{path, ErrExists}
		}
		if !st.Mode().IsRegular() {
			return nil, &OutputError{path, errors.New("is no regular file; name a file")}
		}
	} else if !errors.Is(err, fs.ErrNotExist) {
		return nil, &OutputError{path, err}
	}
	tmp, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*.partial")
	if err != nil {
		return nil, &OutputError{path, err}
	}
	return &Output{path: path, force: force, tmp: tmp, buf: bufio.NewWriterSize(tmp, 1<<20)}, nil
}

// WriteFile makes the file at path of what write writes: whole, or not at
// all. An existing file is replaced only with force, and inputs never. An error
// of the file is an [*OutputError]; one of write is returned as it is.
func WriteFile(path string, force bool, inputs []string, write func(io.Writer) error) error {
	o, err := Create(path, force, inputs...)
	if err != nil {
		return err
	}
	if err := write(o); err != nil {
		o.Drop()
		return err
	}
	return o.Commit()
}

func (o *Output) Write(p []byte) (int, error) {
	n, err := o.buf.Write(p)
	if err != nil {
		return n, &OutputError{o.path, err}
	}
	return n, nil
}

// Commit gives the output its final name.
func (o *Output) Commit() error {
	err := o.buf.Flush()
	if err == nil {
		err = o.tmp.Chmod(0o644)
	}
	if err == nil {
		err = o.tmp.Sync()
	}
	if cerr := o.tmp.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		if _, serr := os.Lstat(o.path); serr == nil && !o.force {
			err = ErrExists
		} else {
			err = os.Rename(o.tmp.Name(), o.path)
		}
	}
	if err != nil {
		os.Remove(o.tmp.Name())
		return &OutputError{o.path, err}
	}
	return nil
}

// Drop throws an uncommitted output away.
func (o *Output) Drop() {
	o.tmp.Close()
	os.Remove(o.tmp.Name())
}

package files

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// Spool keeps what is written until what stands before it is known.
type Spool struct {
	f    *os.File
	path string
	n    int64
}

// NewSpool makes a spool beside the output at path.
func NewSpool(result string) (*Spool, error) {
	f, err := os.CreateTemp(filepath.Dir(result), "."+filepath.Base(result)+".*.spool")
	if err != nil {
		return nil, &OutputError{result, err}
	}
	return &Spool{f: f, path: result}, nil
}

func (s *Spool) Write(p []byte) (int, error) {
	n, err := s.f.Write(p)
	s.n += int64(n)
	if err != nil {
		return n, &OutputError{s.path, err}
	}
	return n, nil
}

// CopyTo appends all that was written to an output.
func (s *Spool) CopyTo(o *Output) error {
	if err := o.buf.Flush(); err != nil {
		return &OutputError{o.path, err}
	}
	if _, err := s.f.Seek(0, io.SeekStart); err != nil {
		return &OutputError{s.path, err}
	}
	// file to file, so that the system may copy without moving the bytes
	if n, err := io.Copy(o.tmp, s.f); err != nil || n != s.n {
		return &OutputError{o.path, errors.Join(err, fmt.Errorf("copied %d of %d bytes", n, s.n))}
	}
	return nil
}

// Drop removes the spool.
func (s *Spool) Drop() {
	s.f.Close()
	os.Remove(s.f.Name())
}

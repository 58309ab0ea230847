package files

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// Spool keeps what is written until what stands before it in an output is
// known. It lies beside the output.
type Spool struct {
	o *Output
	f *os.File
	n int64
}

// Spool makes the output's spool; it has one at most.
func (o *Output) Spool() (*Spool, error) {
	f, err := os.OpenFile(hidden(o.path, o.number, spoolKind), os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return nil, o.fault(err)
	}
	return &Spool{o: o, f: f}, nil
}

func (s *Spool) Write(p []byte) (int, error) {
	if err := s.o.ctx.Err(); err != nil {
		return 0, err
	}
	n, err := s.f.Write(p)
	s.n += int64(n)
	if err != nil {
		return n, &OutputError{Path: s.o.path, Err: err, Need: s.o.n + 2*s.n} // it is copied into the output
	}
	return n, nil
}

// CopyTo appends all that was written to the output.
func (s *Spool) CopyTo(o *Output) error {
	if err := o.ctx.Err(); err != nil {
		return err
	}
	if err := o.buf.Flush(); err != nil {
		return o.fault(err)
	}
	o.n += s.n
	if _, err := s.f.Seek(0, io.SeekStart); err != nil {
		return o.fault(err)
	}
	// file to file, so that the system may copy without moving the bytes
	if n, err := io.Copy(o.tmp, s.f); err != nil || n != s.n {
		return o.fault(errors.Join(err, fmt.Errorf("copied %d of %d bytes", n, s.n)))
	}
	return nil
}

// Drop removes the spool, if there is one.
func (s *Spool) Drop() {
	if s == nil {
		return
	}
	s.f.Close()
	os.Remove(s.f.Name())
}

// Folder makes a folder beside the output for temporary files of what writes
// it. It is gone with all in it before the output has its final name.
func (o *Output) Folder() (string, error) {
	dir := hidden(o.path, o.number, folderKind)
	if err := os.Mkdir(dir, 0o700); err != nil {
		return "", o.fault(err)
	}
	return dir, nil
}

// removeScratch removes the temporary files that belong to an output.
func (o *Output) removeScratch() {
	os.Remove(hidden(o.path, o.number, spoolKind))
	os.RemoveAll(hidden(o.path, o.number, folderKind))
}

// hidden is the name of a temporary file beside the output at path.
func hidden(path, number, kind string) string {
	return filepath.Join(filepath.Dir(path), "."+filepath.Base(path)+"."+number+"."+kind)
}

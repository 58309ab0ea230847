package main

import (
	"bufio"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"fileassay/verify"
)

// outFlags say where a map is written.
type outFlags struct {
	path  string
	force bool
}

func (f *outFlags) add(cmd *cobra.Command) {
	cmd.Flags().StringVarP(&f.path, "output", "o", "", "write the map to `FILE` (default: to stdout)")
	cmd.Flags().BoolVar(&f.force, "force", false, "replace an existing file")
}

// write calls write with where the map goes: stdout, or a file that comes into
// being whole and is none of the inputs.
func (f *outFlags) write(ui *ui, inputs []string, write func(io.Writer) error) error {
	if f.path == "" {
		w := bufio.NewWriterSize(ui.stdout, 1<<16)
		err := write(w)
		if err == nil {
			err = w.Flush()
		}
		return stdoutError(err)
	}
	if err := f.check(inputs); err != nil {
		return &verify.OutputError{Path: f.path, Err: err}
	}
	tmp, err := os.CreateTemp(filepath.Dir(f.path), "."+filepath.Base(f.path)+".*.partial")
	if err != nil {
		return &verify.OutputError{Path: f.path, Err: err}
	}
	if err = write(tmp); err == nil {
		err = tmp.Chmod(0o644)
	}
	if err == nil {
		err = tmp.Sync()
	}
	if cerr := tmp.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = f.check(inputs) // once more: it took a while
	}
	if err == nil {
		err = os.Rename(tmp.Name(), f.path)
	}
	if err != nil {
		os.Remove(tmp.Name())
		return &verify.OutputError{Path: f.path, Err: err}
	}
	return nil
}

// check refuses a path that must not be replaced.
func (f *outFlags) check(inputs []string) error {
	st, err := os.Stat(f.path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	for _, in := range inputs {
		if ist, err := os.Stat(in); err == nil && os.SameFile(st, ist) {
			return errors.New("is one of the inputs; inputs are never written to")
		}
	}
	switch {
	case st.IsDir():
		return errors.New("is a folder; name a file in it")
	case !f.force:
		return verify.ErrExists
	case !st.Mode().IsRegular():
		return errors.New("is no regular file; name a file")
	}
	return nil
}

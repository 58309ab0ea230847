package report

import (
	"errors"
	"fileassay/verify/files"
	"fileassay/verify/result"
	"fmt"
	"io"
	"io/fs"
	"os"
)

// Files are the files that a report is written to; "" for none.
type Files struct {
	HTML, CSV, XLSX string
	Force           bool     // replace existing files
	Inputs          []string // never replaced
}

// outputs are the files that are asked for, with what writes them.
func (f Files) outputs() []string {
	var out []string
	for _, path := range []string{f.HTML, f.CSV, f.XLSX} {
		if path != "" {
			out = append(out, path)
		}
	}
	return out
}

// Check finds out before a long run whether the files may be written, beside
// the other outputs of the run. Errors are [*files.OutputError].
func (f Files) Check(others ...string) error {
	list := append(others, f.outputs()...)
	for i, path := range list {
		for _, other := range list[:i] {
			if path == other {
				return &files.OutputError{Path: path, Err: errors.New("is named for two outputs; give each a file of its own")}
			}
		}
		if i < len(others) {
			continue
		}
		if _, err := os.Lstat(path); err == nil && !f.Force {
			return &files.OutputError{Path: path, Err: files.ErrExists}
		} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return &files.OutputError{Path: path, Err: err}
		}
	}
	return nil
}

// Write writes the files of a report, each whole or not at all. Errors are
// [*files.InputError] or [*files.OutputError].
func Write(path string, f Files, o Options) (err error) {
	if err := f.Check(); err != nil {
		return err
	}
	r, err := result.Open(path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	inputs := append([]string{path}, f.Inputs...)
	if o.Job.Logo != "" {
		inputs = append(inputs, o.Job.Logo)
	}
	if f.HTML != "" {
		inv, err := NewInventory(r, o.list(), o.For == Bench)
		if err != nil {
			return err
		}
		if err := files.WriteFile(f.HTML, f.Force, inputs, func(w io.Writer) error { return HTML(w, r, inv, o) }); err != nil {
			return err
		}
	}
	if f.CSV != "" {
		if err := files.WriteFile(f.CSV, f.Force, inputs, func(w io.Writer) error { return CSV(w, r, o.For) }); err != nil {
			return err
		}
	}
	if f.XLSX == "" {
		return nil
	}
	return files.WriteFile(f.XLSX, f.Force, inputs, func(w io.Writer) error {
		err := XLSX(w, r, o)
		var in *files.InputError
		if err == nil || errors.As(err, &in) {
			return err
		}
		return &files.OutputError{Path: f.XLSX, Err: fmt.Errorf("spreadsheet: %w", err)}
	})
}

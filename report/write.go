package report

import (
	"context"
	"errors"
	"fmt"

	"fileassay/verify/files"
	"fileassay/verify/result"
)

// Files are the files that a report is written to; "" for none.
type Files struct {
	HTML, CSV, XLSX string
	Force           bool // replace existing files

	// Set is the files of the run; nil for those of this call alone. Where it is
	// given, the files have their final names after [files.Set.Commit].
	Set *files.Set
}

// Write writes the files of a report: all of them, or none. Errors are
// [*files.InputError], [*files.OutputError] or the context's.
func Write(ctx context.Context, path string, f Files, o Options) error {
	return files.Within(ctx, f.Set, func(s *files.Set) error { return write(ctx, s, path, f, o) })
}

func write(ctx context.Context, s *files.Set, path string, f Files, o Options) (err error) {
	r, err := result.OpenIn(ctx, s, path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	s.Protect(o.Job.Logo)
	if f.HTML != "" {
		inv, err := NewInventory(r, o.list(), o.For == Bench)
		if err != nil {
			return err
		}
		if err := s.WriteFile(ctx, f.HTML, f.Force, func(w *files.Output) error { return HTML(w, r, inv, o) }); err != nil {
			return err
		}
	}
	if f.CSV != "" {
		if err := s.WriteFile(ctx, f.CSV, f.Force, func(w *files.Output) error { return CSV(w, r, o.For) }); err != nil {
			return err
		}
	}
	if f.XLSX == "" {
		return nil
	}
	return s.WriteFile(ctx, f.XLSX, f.Force, func(w *files.Output) error {
		var err error
		if o.Scratch, err = w.Folder(); err != nil {
			return err
		}
		err = XLSX(w, r, o)
		var in *files.InputError
		if err == nil || errors.As(err, &in) || ctx.Err() != nil {
			return err
		}
		return &files.OutputError{Path: f.XLSX, Err: fmt.Errorf("spreadsheet: %w", err)}
	})
}

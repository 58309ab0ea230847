package main

import (
	"bufio"
	"context"
	"errors"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"fileassay/extract/imap"
	"fileassay/verify/files"
)

// outFlags say where a map is written.
type outFlags struct {
	path  string
	force bool
}

func (f *outFlags) add(cmd *cobra.Command) {
	cmd.Flags().StringVarP(&f.path, "output", "o", "", "write the map to `FILE` (default: to stdout)")
	cmd.Flags().BoolVar(&f.force, "force", false, "replace an existing file")
	names(cmd.Flags(), outputRole, "output")
}

// write calls write with where the map goes: stdout, or a file.
func (f *outFlags) write(ctx context.Context, ui *ui, write func(io.Writer) error) error {
	if f.path == "" {
		w := bufio.NewWriterSize(ui.stdout, 1<<16)
		err := write(w)
		if err == nil {
			err = w.Flush()
		}
		return stdoutError(err)
	}
	if err := ui.files.WriteFile(ctx, f.path, f.force, func(o *files.Output) error { return write(o) }); err != nil {
		return err
	}
	return ui.files.Commit(ctx)
}

// said writes the remarks on a map that went to a file.
func (f *outFlags) said(remarks []string) func(io.Writer) error {
	return func(w io.Writer) error {
		if f.path == "" {
			return nil
		}
		_, err := io.WriteString(w, strings.Join(remarks, "\n")+"\n")
		return err
	}
}

// templateError makes an error of the template of --format one of usage.
func templateError(err error) error {
	if _, bad := errors.AsType[*imap.TemplateError](err); bad {
		return usagef("--format: %v", err)
	}
	return err
}

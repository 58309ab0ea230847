package main

import (
	"bufio"
	"errors"
	"fileassay/verify/files"
	"io"
	"text/template"

	"github.com/spf13/cobra"
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
	return files.WriteFile(f.path, f.force, inputs, write)
}

// templateError makes an error of the template of --format one of usage.
func templateError(err error) error {
	if bad := (template.ExecError{}); errors.As(err, &bad) {
		return usagef("--format: %v", err)
	}
	return err
}

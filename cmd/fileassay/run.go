package main

import (
	"errors"
	"io"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"fileassay/report"
	"fileassay/verify/files"
	"fileassay/verify/result"
)

// Every command says here which of its flags and arguments name files, and what
// these are to it. Before it runs, its inputs are protected and its outputs are
// held against them: no command does that by itself.

// role is what a file is to a run.
type role string

const (
	inputRole  role = "input"
	imageRole  role = "image"  // with all its parts
	resultRole role = "result" // with what it names
	jobRole    role = "job"    // with the logo that it names
	outputRole role = "output"
	folderRole role = "folder" // where nothing is overwritten
)

const roleKey = "file"

// names says what the files are that flags name.
func names(fl *pflag.FlagSet, as role, flags ...string) {
	for _, f := range flags {
		_ = fl.SetAnnotation(f, roleKey, []string{string(as)}) // a test holds every flag that names a file to have a role
	}
}

// takes says what the files are that the arguments name, in order; the last is
// that of all further ones.
func takes(cmd *cobra.Command, as ...role) {
	var list []string
	for _, r := range as {
		list = append(list, string(r))
	}
	cmd.Annotations = map[string]string{roleKey: strings.Join(list, " ")}
}

// prepare protects the inputs of a command and checks its outputs, before
// anything is read but what names further inputs.
func (u *ui) prepare(cmd *cobra.Command, args []string) error {
	whole, _ := cmd.Flags().GetBool("whole")
	force, _ := cmd.Flags().GetBool("force")
	var outputs []string
	var errs []error
	name := func(as role, path string) {
		switch {
		case path == "":
		case as == imageRole:
			u.files.ProtectImage(path, whole)
		case as == resultRole:
			errs = append(errs, result.Protect(u.files, path))
		case as == outputRole && path != "-":
			outputs = append(outputs, path)
		case as == inputRole:
			u.files.Protect(path)
		case as == jobRole:
			u.files.Protect(path)
			if job, err := report.LoadJob(path); err == nil { // else the command says what is wrong with it
				u.files.Protect(job.Logo)
			}
		}
	}
	var unnamed error
	cmd.Flags().VisitAll(func(f *pflag.Flag) {
		for _, as := range f.Annotations[roleKey] {
			if f.Changed && f.Value.String() == "" {
				unnamed = usagef("--%s names nothing: give the name of a file or folder", f.Name)
			}
			name(role(as), f.Value.String())
		}
	})
	if unnamed != nil {
		return unnamed
	}
	roles := strings.Fields(cmd.Annotations[roleKey])
	for i, path := range args {
		if len(roles) > 0 {
			name(role(roles[min(i, len(roles)-1)]), path)
		}
	}
	for _, w := range []struct {
		name string
		w    io.Writer
	}{{"stdout", u.stdout}, {"stderr", u.stderr}} {
		if f, ok := fileOf(w.w); ok {
			u.files.Stream(w.name, f)
		}
	}
	u.line = nil
	err := u.files.Check(force, outputs...)
	if out := (*files.OutputError)(nil); errors.As(err, &out) && out.Path == "on stderr" {
		u.stderr = io.Discard // it is an input
	}
	return errors.Join(append([]error{err}, errs...)...)
}

// printsInto fails where the command line names the file that w prints into. It is for
// what is printed before prepare knows the command's files: wrong usage, and help.
func (u *ui) printsInto(stream string, w io.Writer) error {
	f, ok := fileOf(w)
	if !ok || u.line == nil {
		return nil
	}
	named := files.NewSet()
	named.Stream(stream, f)
	for _, a := range u.line {
		_, value, _ := strings.Cut(a, "=")
		named.ProtectImage(a, false)
		named.ProtectImage(value, false)
	}
	return named.Check(false)
}

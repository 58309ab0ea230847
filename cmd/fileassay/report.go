package main

import (
	"context"
	"io"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"fileassay/report"
	"fileassay/verify"
	"fileassay/verify/files"
	"fileassay/verify/result"
	"fileassay/verify/shown"
	"fileassay/verify/wanted"
)

// reportFlags say for whom a report is made and what stands in its header.
type reportFlags struct {
	audience string
	jobFile  string
	job      report.Job
}

func (f *reportFlags) addReader(fl *pflag.FlagSet) {
	fl.StringVar(&f.audience, "for", string(report.Customer), "`READER` of the report: customer (no sectors, no jargon) or bench (everything)")
	fl.StringVar(&f.jobFile, "job", "", "job `FILE` for the header (TOML: job, customer, drive, serial, technician, date, remarks, logo)")
	names(fl, jobRole, "job")
}

func (f *reportFlags) addHeader(fl *pflag.FlagSet) {
	for _, x := range []struct {
		to          *string
		name, usage string
	}{
		{&f.job.Number, "job-number", "`NUMBER` of the job"},
		{&f.job.Customer, "customer", "`NAME` of the customer"},
		{&f.job.Drive, "drive", "`MODEL` of the drive"},
		{&f.job.Serial, "serial", "serial `NUMBER` of the drive"},
		{&f.job.Technician, "technician", "`NAME` of the technician"},
		{&f.job.Date, "date", "`DATE` of the report, as it is to be shown"},
		{&f.job.Remarks, "remarks", "`TEXT` for the header"},
		{&f.job.Logo, "logo", "picture `FILE` for the header (PNG or JPEG)"},
	} {
		fl.StringVar(x.to, x.name, "", x.usage)
	}
	names(fl, inputRole, "logo")
}

func (f *reportFlags) options() (report.Options, error) {
	o := report.Options{For: report.Audience(f.audience)}
	if o.For != report.Customer && o.For != report.Bench {
		return o, usagef("--for %q: the readers of a report are customer and bench", f.audience)
	}
	if f.jobFile != "" {
		var err error
		if o.Job, err = report.LoadJob(f.jobFile); err != nil {
			return o, err
		}
	}
	o.Job = o.Job.Over(f.job)
	return o, nil
}

func newReport(ui *ui) *cobra.Command {
	var f reportFlags
	var written report.Files
	var asJSON bool
	var list string
	cmd := &cobra.Command{
		Use:   "report RESULT",
		Short: "Make a result into what people read",
		Long: `report makes of a result what people read: a page that opens in any browser and
asks for nothing outside itself (--html), tables of all files (--csv, --xlsx),
and, where no file is asked for, the summary on stdout.

The page for the customer says in plain words what was recovered; in it the
customer can tick what matters most and save that as a wanted list for reread.
The page for the bench (--for bench) adds the volumes, sectors, heads and what a
further pass would win. What the header does not get it does not show.

A report names private files: give it to no one but the customer.
` + exitStatus,
		Example: `  fileassay report drive.result.jsonl --html delivery.html --xlsx delivery.xlsx --job job.toml
  fileassay report drive.result.jsonl --for bench --html bench.html --wanted customer.txt`,
		Args: exactly(1, "one result"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o, err := f.options()
			if err != nil {
				return err
			}
			if o.Wanted, err = wanted.Load(list); err != nil {
				return err
			}
			written.Set = ui.files
			return runReport(cmd.Context(), ui, args[0], written, o, asJSON)
		},
	}
	fl := cmd.Flags()
	takes(cmd, resultRole)
	fl.StringVar(&written.HTML, "html", "", "write the page to `FILE`")
	fl.StringVar(&written.CSV, "csv", "", "write the list of files to `FILE` (CSV, RFC 4180, UTF-8; the customer's with a byte order mark)")
	fl.StringVar(&written.XLSX, "xlsx", "", "write the list of files to `FILE` (spreadsheet)")
	fl.BoolVar(&written.Force, "force", false, "replace existing files")
	fl.StringVar(&list, "wanted", "", "wanted list `FILE`: what files are worth (default: the built-in list)")
	fl.BoolVar(&asJSON, "json", false, "print the summary as JSON")
	names(fl, outputRole, "html", "csv", "xlsx")
	names(fl, inputRole, "wanted")
	f.addReader(fl)
	f.addHeader(fl)
	return cmd
}

func runReport(ctx context.Context, ui *ui, path string, written report.Files, o report.Options, asJSON bool) error {
	r, err := result.OpenIn(ctx, ui.files, path)
	if err != nil {
		return err
	}
	out := &verify.Outcome{Image: r.Image, Volumes: r.Volumes, Summary: r.Summary, Result: path}
	if err := r.Close(); err != nil {
		return &files.InputError{Err: err}
	}
	any := written.HTML != "" || written.CSV != "" || written.XLSX != ""
	if any {
		if err := report.Write(ctx, path, written, o); err != nil {
			return err
		}
		if err := ui.files.Commit(ctx); err != nil {
			return err
		}
	}
	return ui.tell(asJSON, out, out.Clean(), func(w io.Writer) error {
		if !any {
			return report.Summary(w, out, ui.style())
		}
		return writeNames(w, written)
	})
}

// writeNames names the files of a report.
func writeNames(w io.Writer, f report.Files) error {
	for _, l := range [][2]string{{"Page", f.HTML}, {"Table", f.CSV}, {"Spreadsheet", f.XLSX}} {
		if l[1] == "" {
			continue
		}
		if _, err := shown.Fprintf(w, "%s: %s\n", l[0], l[1]); err != nil {
			return err
		}
	}
	return nil
}

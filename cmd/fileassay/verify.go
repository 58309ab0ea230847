package main

import (
	"context"
	"errors"

	"github.com/spf13/cobra"

	"fileassay/report"
	"fileassay/verify"
	"fileassay/verify/wanted"
)

func newVerify(ui *ui) *cobra.Command {
	var f imageFlags
	var page reportFlags
	var html string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "verify IMAGE --map MAP",
		Short: "Sort every file of the image into intact, damaged or lost",
		Long: `verify finds the volumes of the image, follows every file to its sectors,
crosses them with the imaging map and writes the result, one JSON object a
line. The summary on stdout says what was recovered, whether the list of files
is complete, and where the unread bytes lie.
` + exitStatus,
		Example: `  fileassay verify drive.img --map drive.map.csv
  fileassay verify drive.img --map drive.map.csv --result job.result.jsonl --json`,
		Args: exactly(1, "one image"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o, err := f.options(args[0])
			if err != nil {
				return err
			}
			o.Result, o.Force, o.Wanted = f.o.Result, f.o.Force, f.o.Wanted
			if html == "" {
				return runVerify(cmd.Context(), ui, o, asJSON)
			}
			return verifyAndReport(cmd.Context(), ui, o, page, html, asJSON)
		},
	}
	f.add(cmd)
	cmd.Flags().StringVar(&html, "html", "", "write the report's page to `FILE` too; the report command makes more of a result")
	page.addReader(cmd.Flags())
	cmd.Flags().StringVarP(&f.o.Result, "result", "o", "", "write the result to `FILE` (default: the image's base name with .result.jsonl, here)")
	cmd.Flags().StringVar(&f.o.Wanted, "wanted", "", "wanted list `FILE`: how many of the files that it wants are whole goes into the summary")
	cmd.Flags().BoolVar(&f.o.Force, "force", false, "replace an existing result")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print the summary as JSON")
	return cmd
}

// verifyAndReport is runVerify and then the page of the report. What would keep
// the page from being written is said before the long run.
func verifyAndReport(ctx context.Context, ui *ui, o verify.Options, page reportFlags, html string, asJSON bool) error {
	opt, err := page.options()
	if err != nil {
		return err
	}
	if o.Wanted != "" {
		if opt.Wanted, err = wanted.Load(o.Wanted); err != nil {
			return err
		}
	}
	if o.Result == "" {
		o.Result = verify.ResultName(o.Image)
	}
	files := report.Files{HTML: html, Force: o.Force}
	for _, in := range []string{o.Image, o.Map, o.Heads, o.Wanted, page.jobFile} {
		if in != "" {
			files.Inputs = append(files.Inputs, in)
		}
	}
	if err := files.Check(o.Result); err != nil {
		return err
	}
	found := runVerify(ctx, ui, o, asJSON)
	if found != nil && !errors.Is(found, errFound) {
		return found
	}
	if err := report.Write(o.Result, files, opt); err != nil {
		return err
	}
	if !ui.quiet && !asJSON {
		if err := ui.printWritten(files); err != nil {
			return err
		}
	}
	return found
}

func runVerify(ctx context.Context, ui *ui, o verify.Options, asJSON bool) error {
	var wipe func()
	o.Progress, wipe = ui.watch()
	out, err := verify.Run(ctx, o)
	wipe()
	if err != nil {
		return err
	}
	switch {
	case asJSON:
		err = ui.printJSON(out)
	case !ui.quiet:
		err = stdoutError(report.Summary(ui.stdout, out, ui.style()))
		if err == nil {
			err = ui.print("Result: %s\n", out.Result)
		}
	}
	if err != nil {
		return err
	}
	if !out.Clean() {
		return errFound
	}
	return nil
}

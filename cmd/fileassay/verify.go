package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"fileassay/report"
	"fileassay/verify"
)

func newVerify(ui *ui) *cobra.Command {
	var f imageFlags
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
			return runVerify(cmd.Context(), ui, o, asJSON)
		},
	}
	f.add(cmd)
	cmd.Flags().StringVarP(&f.o.Result, "result", "o", "", "write the result to `FILE` (default: the image's base name with .result.jsonl, here)")
	cmd.Flags().StringVar(&f.o.Wanted, "wanted", "", "wanted list `FILE`: how many of the files that it wants are whole goes into the summary")
	cmd.Flags().BoolVar(&f.o.Force, "force", false, "replace an existing result")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print the summary as JSON")
	return cmd
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
			_, err = fmt.Fprintf(ui.stdout, "Result: %s\n", out.Result)
			err = stdoutError(err)
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

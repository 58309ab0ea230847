package main

import (
	"context"
	"fmt"
	"io"
	"runtime/debug"

	"github.com/spf13/cobra"

	"fileassay/report"
	"fileassay/verify"
	"fileassay/verify/shown"
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

Content is followed and not read. Where the image file itself may be failing,
--content=read reads every byte of content again, once and forward: what the
image file does not give counts as failed. An image that gives errors, or that
changes while it is read, is never called good.
` + exitStatus,
		Example: `  fileassay verify drive.img --map drive.map.csv
  fileassay verify drive.img --map drive.map.csv --result job.result.jsonl --json
  fileassay verify drive.img --map drive.map.csv --content=read`,
		Args: func(cmd *cobra.Command, args []string) error {
			if err := exactly(1, "one image")(cmd, args); err != nil {
				return err
			}
			if f.o.Result == "" { // known here, it is held against the inputs too
				f.o.Result = verify.ResultName(args[0])
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			o, err := f.options(args[0])
			if err != nil {
				return err
			}
			if html == "" {
				return runVerify(cmd.Context(), ui, o, nil, asJSON)
			}
			p := &resultPage{files: report.Files{HTML: html, Force: o.Force, Set: ui.files}}
			if p.o, err = page.options(); err != nil {
				return err
			}
			if p.o.Wanted, err = wanted.Load(o.Wanted); err != nil {
				return err
			}
			return runVerify(cmd.Context(), ui, o, p, asJSON)
		},
	}
	takes(cmd, imageRole)
	f.add(cmd)
	cmd.Flags().StringVar(&html, "html", "", "write the report's page to `FILE` too; the report command makes more of a result")
	page.addReader(cmd.Flags())
	cmd.Flags().StringVarP(&f.o.Result, "result", "o", "", "write the result to `FILE` (default: the image's base name with .result.jsonl, here)")
	cmd.Flags().Func("content", "what is done with content, `MODE`: read reads all of it again; else it is not read", func(mode string) error {
		if mode != verify.ContentRead {
			return fmt.Errorf("give --content=%s, which reads all content again", verify.ContentRead)
		}
		f.o.Content = mode
		return nil
	})
	cmd.Flags().StringVar(&f.o.Wanted, "wanted", "", "wanted list `FILE`: how many of the files that it wants are whole goes into the summary")
	names(cmd.Flags(), outputRole, "result", "html")
	names(cmd.Flags(), inputRole, "wanted")
	cmd.Flags().BoolVar(&f.o.Force, "force", false, "replace an existing result")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print the summary as JSON")
	return cmd
}

// resultPage is the page that is made of a result at once.
type resultPage struct {
	files report.Files
	o     report.Options
}

// runVerify makes the result, and the page of it where that is asked for: both
// or none.
func runVerify(ctx context.Context, ui *ui, o verify.Options, page *resultPage, asJSON bool) error {
	// what lives is small, and much is thrown away for every file: collecting
	// less often costs some tens of megabytes and saves a fifth of the time.
	// Other commands remember every file: there memory is the scarcer
	defer debug.SetGCPercent(debug.SetGCPercent(400))
	var wipe func()
	o.Progress, wipe = ui.watch()
	o.Files = ui.files
	out, err := verify.Run(ctx, o)
	wipe()
	if err == nil && page != nil {
		err = report.Write(ctx, o.Result, page.files, page.o)
	}
	if err == nil {
		err = ui.files.Commit(ctx)
	}
	if err != nil {
		return err
	}
	return ui.tell(asJSON, out, out.Clean(), func(w io.Writer) error {
		err := report.Summary(w, out, ui.style())
		if err == nil {
			_, err = shown.Fprintf(w, "Result: %s\n", out.Result)
		}
		if err == nil && page != nil {
			err = writeNames(w, page.files)
		}
		return err
	})
}

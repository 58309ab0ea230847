package main

import (
	"context"
	"io"
	"runtime/debug"

	"github.com/spf13/cobra"

	"fileassay/report"
	"fileassay/verify/compare"
	"fileassay/verify/files"
	"fileassay/verify/result"
	"fileassay/verify/wanted"
)

// compareFlags are the options of compare.
type compareFlags struct {
	wanted string
	html   string
	force  bool
	asJSON bool
	rows   int

	content bool
	o       compare.ContentOptions
}

func newCompare(ui *ui) *cobra.Command {
	var f compareFlags
	cmd := &cobra.Command{
		Use:   "compare BEFORE AFTER",
		Short: "Say what a further pass over a drive won",
		Long: `compare holds two results of one drive against each other: which files rose, by
kind and wanted weight, the bytes and sectors won, what was newly listed or
named, and what the next pass could still win. What got worse comes first:
sectors that were read before and are unread now, files that fell or are no
longer listed, and files that were whole both times and are not the same.

Exit status: 0 nothing got worse; 1 the run is good, and something got worse;
2 wrong usage; 3 an input cannot be used; 4 an output could not be written;
130 interrupted.`,
		Example: `  fileassay compare pass1.result.jsonl pass2.result.jsonl
  fileassay compare pass1.result.jsonl pass2.result.jsonl --html won.html
  fileassay compare pass1.result.jsonl pass2.result.jsonl --image-before kept.img`,
		Args: exactly(2, "two results"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runCompare(cmd.Context(), ui, &f, args[0], args[1])
		},
	}
	takes(cmd, resultRole)
	fl := cmd.Flags()
	fl.StringVarP(&f.wanted, "wanted", "w", "", "wanted list `FILE` (default: the built-in list)")
	fl.BoolVar(&f.content, "content", false, "read both images again, and compare what both passes read")
	fl.StringVar(&f.o.Before, "image-before", "", "image `FILE` of BEFORE, where it is not the one that is named there; as --content")
	fl.StringVar(&f.o.After, "image-after", "", "image `FILE` of AFTER, where it is not the one that is named there; as --content")
	fl.BoolVar(&f.o.Whole, "whole", false, "the images are one file each, even if a name counts on into others beside it")
	fl.IntVar(&f.o.Threads, "threads", 0, "threads for long steps; 0 is one a core")
	fl.StringVar(&f.html, "html", "", "write a page to `FILE`")
	names(fl, inputRole, "wanted")
	names(fl, imageRole, "image-before", "image-after")
	names(fl, outputRole, "html")
	fl.BoolVar(&f.force, "force", false, "replace an existing page")
	fl.BoolVar(&f.asJSON, "json", false, "print as JSON")
	fl.IntVar(&f.rows, "rows", 20, "print at most `N` files of each sort; 0 prints all")
	return cmd
}

func runCompare(ctx context.Context, ui *ui, f *compareFlags, before, after string) error {
	f.content = f.content || f.o.Before != "" || f.o.After != ""
	switch {
	case f.rows < 0:
		return usagef("--rows %d: give 0 for all, or more", f.rows)
	case f.o.Threads < 0:
		return usagef("--threads %d: give 1 or more, or 0 for one a core", f.o.Threads)
	case f.o.Whole && !f.content:
		return usagef("--whole says how images are read: give --content to read them")
	}
	list, err := wanted.Load(f.wanted)
	if err != nil {
		return err
	}
	a, err := result.OpenIn(ctx, ui.files, before)
	if err != nil {
		return err
	}
	defer a.Close()
	b, err := result.OpenIn(ctx, ui.files, after)
	if err != nil {
		return err
	}
	defer b.Close()
	// what lives may be a million small records without pointers, which cost a
	// collection nothing: so much as is thrown away would double them
	defer debug.SetGCPercent(debug.SetGCPercent(10))
	c, err := compare.Results(a, b, list)
	if err != nil {
		return err
	}
	if f.content {
		var wipe func()
		f.o.Progress, wipe = ui.watch()
		err := compare.Content(ctx, c, a, b, f.o)
		wipe()
		if err != nil {
			return err
		}
	}
	if f.html != "" {
		if err := ui.files.WriteFile(ctx, f.html, f.force, func(w *files.Output) error { return report.ComparisonPage(w, c) }); err != nil {
			return err
		}
		if err := ui.files.Commit(ctx); err != nil {
			return err
		}
	}
	return ui.tell(f.asJSON, c, !c.Worse(), func(w io.Writer) error { return report.Comparison(w, c, f.rows, ui.style()) })
}

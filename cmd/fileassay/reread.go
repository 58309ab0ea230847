package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"time"

	"github.com/spf13/cobra"

	"fileassay/extract/imap"
	"fileassay/report"
	"fileassay/verify/files"
	"fileassay/verify/reread"
	"fileassay/verify/result"
	"fileassay/verify/wanted"
)

// rereadFlags are the options of reread.
type rereadFlags struct {
	o      reread.Options
	wanted string
	print  bool
	list   string
	format string
	html   string
	force  bool
	asJSON bool
	rows   int
}

func newReread(ui *ui) *cobra.Command {
	var f rereadFlags
	cmd := &cobra.Command{
		Use:   "reread RESULT",
		Short: "Order the unread ranges by what reading them would win back",
		Long: `reread says which sectors to fetch next, what each would win, and when to stop.
It works from the result alone, by a wanted list: lines of a weight and what it
is for, the first that fits a file gives its weight, 0 means never re-read for
this. Without --wanted the built-in list is used (--print-wanted shows it).

` + reread.Caution + `

--list writes the ranges in order for the imager: our CSV, or with --format any
list: a Go text/template that is executed for every range, with .Number, .Step,
.Start, .Length, .End, .Last in bytes, .StartSector, .Sectors, .EndSector,
.LastSector, and .State. The templates "first" and "last", if it defines them,
come before and after, with .Caution, .Size and .Sector in bytes, .Ranges,
.Steps, .Sectors and .Seconds of the whole. Where such a list goes to stdout,
the caution is told on stderr.

Exit status: 0 the run is good; 2 wrong usage; 3 an input cannot be used;
4 an output could not be written; 130 interrupted.`,
		Example: `  fileassay reread job.result.jsonl --budget 2h
  fileassay reread job.result.jsonl --wanted customer.txt --list next.csv
  fileassay reread job.result.jsonl --forward --list next.txt --format '{{.StartSector}} {{.Sectors}}'`,
		Args: func(cmd *cobra.Command, args []string) error {
			if f.print && len(args) == 0 {
				return nil
			}
			return exactly(1, "one result")(cmd, args)
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if f.print {
				_, err := io.WriteString(ui.stdout, wanted.DefaultText)
				return stdoutError(err)
			}
			return runReread(cmd.Context(), ui, &f, args[0])
		},
	}
	takes(cmd, resultRole)
	d := reread.DefaultCosts()
	fl := cmd.Flags()
	fl.StringVarP(&f.wanted, "wanted", "w", "", "wanted list `FILE`: the customer's priorities (default: the built-in list)")
	fl.BoolVar(&f.print, "print-wanted", false, "print the built-in wanted list")
	fl.DurationVar(&f.o.Budget, "budget", 0, "the best plan within this time, as 90m or 2h")
	fl.Int64Var(&f.o.BudgetSectors, "budget-sectors", 0, "the best plan within `N` sectors")
	fl.BoolVar(&f.o.Forward, "forward", false, "keep the plan's set, and order it by place in passes")
	fl.Float64Var(&f.o.Worth, "worth", 0, "`WEIGHT` that a further hour must win; the plan says after which point it wins less")
	fl.DurationVar(&f.o.Costs.Seek, "seek", d.Seek, "time of a seek (default: common practice, no source)")
	fl.DurationVar(&f.o.Costs.Skipped, "per-sector-skipped", d.Skipped, "time of a sector that was never tried (common practice, no source)")
	fl.DurationVar(&f.o.Costs.Failed, "per-sector-failed", d.Failed, "time of a sector that failed before (common practice, no source)")
	fl.DurationVar(&f.o.Costs.Doubtful, "per-sector-doubtful", d.Doubtful, "time of a doubtful sector (common practice, no source)")
	fl.Int64Var(&f.o.Costs.Gap, "gap", d.Gap, "ranges no more than `N` sectors apart are read in one go")
	fl.StringVar(&f.list, "list", "", "write the ranges in order to `FILE` (- is stdout, in place of the table)")
	fl.StringVar(&f.format, "format", "", "write each range of the list as `TEMPLATE` says (Go text/template)")
	fl.StringVar(&f.html, "html", "", "write a page for the bench, with the curve of files against hours, to `FILE`")
	names(fl, outputRole, "list", "html")
	names(fl, inputRole, "wanted")
	fl.BoolVar(&f.force, "force", false, "replace existing files")
	fl.BoolVar(&f.asJSON, "json", false, "print the plan as JSON")
	fl.IntVar(&f.rows, "rows", 40, "print at most `N` steps in the table; 0 prints all")
	return cmd
}

// check refuses what makes no sense.
func (f *rereadFlags) check() error {
	c := &f.o.Costs
	for _, d := range []time.Duration{c.Seek, c.Skipped, c.Failed, c.Doubtful} {
		if d < 0 || d > reread.MaxCost {
			return usagef("a cost of %v: give a time from 0 to %v", d, reread.MaxCost)
		}
	}
	switch {
	case f.o.Budget < 0 || f.o.BudgetSectors < 0:
		return usagef("a budget below nothing: give a time as 2h, or a number of sectors")
	case f.o.Budget > 0 && f.o.Budget < time.Millisecond:
		return usagef("--budget %v: give at least a millisecond", f.o.Budget)
	case f.o.Budget > 0 && f.o.BudgetSectors > 0:
		return usagef("--budget and --budget-sectors exclude each other: give one")
	case c.Gap < 0:
		return usagef("--gap %d: give 0 or more sectors", c.Gap)
	case !(f.o.Worth >= 0) || math.IsInf(f.o.Worth, 1):
		return usagef("--worth %v: give a weight of 0 or more", f.o.Worth)
	case f.rows < 0:
		return usagef("--rows %d: give 0 for all, or more", f.rows)
	case f.format != "" && f.list == "":
		return usagef("--format says how the list is written: give it a file with --list, or --list - for stdout")
	case f.asJSON && f.list == "-":
		return usagef("--json and --list - both go to stdout: give the list a file")
	}
	return nil
}

func runReread(ctx context.Context, ui *ui, f *rereadFlags, path string) error {
	if err := f.check(); err != nil {
		return err
	}
	tpl, err := imap.ParseTemplate(f.format)
	if err != nil {
		return usagef("--format: %v", err)
	}
	if f.o.Wanted, err = wanted.Load(f.wanted); err != nil {
		return err
	}
	r, err := result.OpenIn(ctx, ui.files, path)
	if err != nil {
		return err
	}
	defer r.Close()
	p, err := reread.New(r, f.o)
	if err != nil {
		return err
	}
	write := func(w io.Writer) error {
		if f.format == "" {
			return report.PlanList(w, p)
		}
		return templateError(report.PlanFormat(w, p, tpl))
	}
	if f.format != "" {
		if err := write(io.Discard); err != nil { // before anything is written
			return err
		}
	}
	if f.html != "" {
		if err := ui.files.WriteFile(ctx, f.html, f.force, func(w *files.Output) error { return report.PlanPage(w, p) }); err != nil {
			return err
		}
	}
	if f.list != "" && f.list != "-" {
		if err := ui.files.WriteFile(ctx, f.list, f.force, func(w *files.Output) error { return write(w) }); err != nil {
			return err
		}
	}
	if err := ui.files.Commit(ctx); err != nil {
		return err
	}
	if f.list == "-" {
		if f.format != "" { // such a list says of itself only what the template does
			fmt.Fprintln(ui.stderr, p.Caution)
		}
		return stdoutError(write(ui.stdout))
	}
	switch {
	case f.asJSON:
		return ui.printJSON(report.NewPlanRecord(p))
	case ui.quiet:
		return nil
	}
	if err := report.Plan(ui.stdout, p, f.rows, ui.style()); err != nil {
		return stdoutError(err)
	}
	if f.list != "" {
		return ui.print("List: %s\n", f.list)
	}
	return nil
}

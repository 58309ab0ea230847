package main

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/dustin/go-humanize"
	"github.com/dustin/go-humanize/english"
	"github.com/spf13/cobra"

	"fileassay/verify/delivery"
	"fileassay/verify/glob"
	"fileassay/verify/result"
	"fileassay/verify/shown"
)

func newExtract(ui *ui) *cobra.Command {
	var o delivery.Options
	var f selectionFlags
	var filler string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "extract IMAGE RESULT --to FOLDER",
		Short: "Copy the files of a result out of the image, with checksums",
		Long: `extract copies files out of the image, by the result that verify wrote of it,
into a new or empty folder: a BagIt bag (RFC 8493), whose manifest holds the
SHA-256 of every file. Damaged files, if asked for, go to a branch of their own;
missing.csv lists the ranges that the drive did not give, and zeros or --filler
stand there. renamed.csv lists the names that were changed so that any system
can hold them, left-out.csv what was chosen and could not be delivered.

Interrupted, the same command goes on where it stopped. Nothing is ever
overwritten, and the image is only read.

Recovered files are private: deliver them on a medium of their own, and let the
responsible technician decide who gets what.

Exit status: 0 all that was chosen is delivered, and intact; 1 something of it
is damaged or left out, the image file did not give all, or nothing was chosen;
2 wrong usage; 3 an input cannot be used; 4 the delivery could not be written;
130 interrupted.`,
		Example: `  fileassay extract drive.img drive.result.jsonl --to delivery
  fileassay extract drive.img drive.result.jsonl --to delivery --verdict intact,damaged --path 'Plates/**'`,
		Args: exactly(2, "an image and a result"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.Image, o.Result = args[0], args[1]
			if o.To == "" {
				return usagef("say which folder the files go to with --to FOLDER")
			}
			var err error
			if o.Selection, err = f.selection(); err != nil {
				return err
			}
			if o.Filler, err = parseFiller(filler); err != nil {
				return err
			}
			if o.Date != "" {
				if err := delivery.ParseDate(o.Date); err != nil {
					return usagef("--date: %v", err)
				}
			}
			if o.Threads < 0 {
				return usagef("--threads %d: give 1 or more, or 0 for one a core", o.Threads)
			}
			var wipe func()
			o.Progress, wipe = ui.watchCopy()
			o.Files = ui.files
			out, err := delivery.Run(cmd.Context(), o)
			wipe()
			if errors.Is(err, context.Canceled) {
				ui.message("the same command goes on where this one was stopped")
			}
			if err != nil {
				return err
			}
			return ui.tell(asJSON, out, out.Clean(), func(w io.Writer) error {
				_, err := io.WriteString(w, deliveryWords(out))
				return err
			})
		},
	}
	takes(cmd, imageRole, resultRole)
	fl := cmd.Flags()
	fl.StringVar(&o.To, "to", "", "`FOLDER` of the delivery: new or empty")
	names(fl, folderRole, "to")
	f.add(cmd)
	fl.StringVar(&filler, "filler", "00", "`HEX` bytes that stand, repeated, where bytes are missing")
	fl.StringVar(&o.Date, "date", "", "Bagging-Date of the bag, `YYYY-MM-DD` (left out by default)")
	fl.BoolVar(&o.Whole, "whole", false, "IMAGE is one file, even if its name counts on into others beside it")
	fl.IntVar(&o.Threads, "threads", 0, "threads; 0 is one a core")
	fl.BoolVar(&asJSON, "json", false, "print the summary as JSON")
	return cmd
}

// selectionFlags say which files of a result are meant.
type selectionFlags struct {
	verdicts []string
	s        delivery.Selection
}

func (f *selectionFlags) add(cmd *cobra.Command) {
	fl := cmd.Flags()
	fl.StringSliceVar(&f.verdicts, "verdict", []string{"intact"}, "`VERDICTS` of files to take: intact, damaged, or both with a comma between")
	fl.StringVar(&f.s.Wanted, "wanted", "", "take only what the wanted list `FILE` gives a weight above 0")
	names(fl, inputRole, "wanted")
	fl.StringArrayVar(&f.s.Paths, "path", nil, "take only paths that fit `GLOB` (** for any folders); may be given more than once")
	fl.IntSliceVar(&f.s.Volumes, "volume", nil, "take only files of volume `N`; may be given more than once")
}

func (f *selectionFlags) selection() (delivery.Selection, error) {
	s := f.s
	for _, v := range f.verdicts {
		switch v := result.Verdict(strings.TrimSpace(v)); v {
		case result.Intact, result.Damaged:
			s.Verdicts = append(s.Verdicts, v)
		default:
			return s, usagef("--verdict %q: files that are intact or damaged can be delivered; of a lost one there is nothing", v)
		}
	}
	for _, p := range s.Paths {
		if _, err := glob.Compile(p); err != nil {
			return s, usagef("--path: %v", err)
		}
	}
	for _, v := range s.Volumes {
		if v < 1 {
			return s, usagef("--volume %d: volumes count from 1", v)
		}
	}
	return s, nil
}

func parseFiller(s string) ([]byte, error) {
	b, err := hex.DecodeString(s)
	if err != nil || len(b) == 0 || len(b) > 512 {
		return nil, usagef("--filler %q: give 1 to 512 bytes in hexadecimal, as 00 or DEADBEEF", s)
	}
	return b, nil
}

func deliveryWords(o *delivery.Outcome) string {
	var b strings.Builder
	fmt.Fprintf(&b, "Delivered: %s, %s\n", counted(o.Files, "file"), humanize.IBytes(uint64(o.Bytes)))
	if o.Damaged > 0 {
		fmt.Fprintf(&b, "  damaged: %s; %s missing, listed in missing.csv\n", counted(o.Damaged, "file"), humanize.IBytes(uint64(o.Missing)))
	}
	if o.Links > 0 {
		fmt.Fprintf(&b, "  links: %s\n", humanize.Comma(o.Links))
	}
	if o.Renamed > 0 {
		fmt.Fprintf(&b, "  under another name: %s, listed in renamed.csv\n", counted(o.Renamed, "file"))
	}
	if o.LeftOut > 0 {
		fmt.Fprintf(&b, "  left out: %s, listed with the reasons in left-out.csv\n", counted(o.LeftOut, "entry"))
	}
	if o.Kept > 0 {
		fmt.Fprintf(&b, "  kept of an earlier run: %s\n", counted(o.Kept, "file"))
	}
	if o.Nothing() {
		b.WriteString("  nothing of the result was chosen: give other paths, volumes or verdicts\n")
	}
	if o.Broken > 0 {
		fmt.Fprintf(&b, "  the image file itself did not give %s bytes, and may fail elsewhere: copy the image anew and verify it again\n", humanize.Comma(o.Broken))
	}
	shown.Fprintf(&b, "Folder: %s\n", o.Folder)
	return b.String()
}

// counted is a number with its noun.
func counted(n int64, noun string) string {
	return humanize.Comma(n) + " " + english.PluralWord(int(min(n, 2)), noun, "")
}

// watchCopy is watch for runs that go through files.
func (u *ui) watchCopy() (func(delivery.Progress), func()) {
	p := u.progress()
	if p == nil {
		return nil, func() {}
	}
	return func(d delivery.Progress) {
		p.show(d.Step, func(took time.Duration) string {
			line := d.Step
			if d.Total != 0 {
				line = progressLine(d.Step, d.Done, d.Total, took)
			}
			if d.Among > 0 {
				line += fmt.Sprintf("  %s of %s", humanize.Comma(d.Files), counted(d.Among, "file"))
			}
			return line
		})
	}, p.wipe
}

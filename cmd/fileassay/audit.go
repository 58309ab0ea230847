package main

import (
	"io"
	"strings"

	"github.com/dustin/go-humanize"
	"github.com/spf13/cobra"

	"fileassay/verify/delivery"
	"fileassay/verify/shown"
)

func newAudit(ui *ui) *cobra.Command {
	var o delivery.AuditOptions
	var f selectionFlags
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "audit FOLDER",
		Short: "Prove that a delivery is still what the drive gave",
		Long: `audit reads a delivery again: files that are missing, extra or changed, by its
own manifests; with --result, by what should be there, the lists beside the files
row by row; with --image too, byte for byte by what was read of the drive. With
both it audits any folder of files that somebody took out of the image by other
means: right content, right length, filler inside, a wrong file under a right name.

With --result it tells of a delivery's files that have another time or mode too,
as a note; with --times that is a fault. What could not be delivered, as the image
file failed or the target holds no links, is a note; with --image such files are
tried again. It takes from the delivery what was asked for, and shows it.

Exit status: 0 nothing is off but what notes tell; 1 something is, and is listed;
2 wrong usage; 3 an input cannot be used; 4 an output could not be written;
130 interrupted.`,
		Example: `  fileassay audit delivery
  fileassay audit delivery --result drive.result.jsonl --image drive.img`,
		Args: exactly(1, "one folder"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.Folder = args[0]
			if o.Image != "" && o.Result == "" {
				return usagef("--image needs the result that says what lies where in it: give it with --result FILE")
			}
			if o.Times && o.Result == "" {
				return usagef("--times needs the result that tells the times: give it with --result FILE")
			}
			if o.Threads < 0 {
				return usagef("--threads %d: give 1 or more, or 0 for one a core", o.Threads)
			}
			var err error
			if o.Selection, err = f.selection(); err != nil {
				return err
			}
			var wipe func()
			o.Progress, wipe = ui.watchCopy()
			rep, err := delivery.Audit(cmd.Context(), o)
			wipe()
			if err != nil {
				return err
			}
			return ui.tell(asJSON, rep, rep.Clean(), func(w io.Writer) error {
				_, err := io.WriteString(w, auditWords(rep))
				return err
			})
		},
	}
	takes(cmd, folderRole)
	fl := cmd.Flags()
	fl.StringVar(&o.Result, "result", "", "result `FILE` that the delivery was made from")
	fl.StringVar(&o.Image, "image", "", "image `FILE` that the result was made from")
	names(fl, resultRole, "result")
	names(fl, imageRole, "image")
	f.add(cmd)
	fl.BoolVar(&o.Times, "times", false, "another time or mode of a delivered file is a fault (needs --result)")
	fl.BoolVar(&o.Whole, "whole", false, "the image is one file, even if its name counts on into others beside it")
	fl.IntVar(&o.Threads, "threads", 0, "threads; 0 is one a core")
	fl.BoolVar(&asJSON, "json", false, "print as JSON")
	return cmd
}

// auditWords say what an audit found.
func auditWords(r *delivery.AuditReport) string {
	var b strings.Builder
	for _, f := range r.Findings {
		note := ""
		if f.Note {
			note = "note: "
		}
		shown.Fprintf(&b, "%s%s: %q: %s\n", note, f.What, f.Path, f.Why)
	}
	if r.Asked != "" {
		shown.Fprintf(&b, "Asked for: %s\n", r.Asked)
	}
	words := "nothing is off"
	notes := int64(r.Notes())
	if n := int64(len(r.Findings)) - notes; n > 0 {
		words = counted(n, "finding")
	}
	if notes > 0 {
		words += ", " + counted(notes, "note")
	}
	shown.Fprintf(&b, "Audited: %s, %s, against: %s; %s\n", counted(r.Files, "file"), humanize.IBytes(uint64(r.Bytes)), strings.Join(r.Against, ", "), words)
	return b.String()
}

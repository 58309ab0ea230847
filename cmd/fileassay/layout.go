package main

import (
	"io"

	"github.com/spf13/cobra"

	"fileassay/report"
	"fileassay/verify"
)

func newLayout(ui *ui) *cobra.Command {
	var f imageFlags
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "layout IMAGE --map MAP",
		Short: "Show partitions, volumes and the health of their structures",
		Long: `layout shows the partitions and volumes of the image and, for each volume, the
health of its own structures: read, unread, damaged, or in disagreement with
their copy.

Exit status: 0 every structure was read and is sound, and every volume can be
listed; 1 the run is good, and some are not; 2 wrong usage; 3 an input cannot be
used; 4 an output could not be written; 130 interrupted.`,
		Example: `  fileassay layout drive.img --map drive.map.csv`,
		Args:    exactly(1, "one image"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o, err := f.options(args[0])
			if err != nil {
				return err
			}
			var wipe func()
			o.Progress, wipe = ui.watch()
			l, err := verify.Layout(cmd.Context(), o)
			wipe()
			if err != nil {
				return err
			}
			return ui.tell(asJSON, l, l.Clean(), func(w io.Writer) error { return report.Layout(w, l, ui.style()) })
		},
	}
	takes(cmd, imageRole)
	f.add(cmd)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print as JSON")
	return cmd
}

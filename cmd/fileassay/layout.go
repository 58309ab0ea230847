package main

import (
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
` + exitStatus,
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
			if asJSON {
				return ui.printJSON(l)
			}
			return stdoutError(report.Layout(ui.stdout, l, ui.style()))
		},
	}
	f.add(cmd)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print as JSON")
	return cmd
}

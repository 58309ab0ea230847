package main

import (
	"errors"
	"path/filepath"

	"github.com/spf13/cobra"

	"fileassay/verify"
	"fileassay/verify/demo"
)

func newDemo(ui *ui) *cobra.Command {
	var folder string
	var force bool
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "The whole job on a small built-in image",
		Long: `demo writes a small image of a damaged drive and its imaging map into a folder,
verifies it as the verify command does, and names the next commands to try. The
scenario, the office computer of a bell foundry, is invented.

It ends with 0, since damage is what it is there to show.
` + exitStatus,
		Example: "  fileassay demo --to somewhere",
		Args:    exactly(0, "no arguments"),
		RunE: func(cmd *cobra.Command, args []string) error {
			image, imap, err := demo.Write(cmd.Context(), ui.files, folder, force)
			if err == nil {
				err = ui.files.Commit(cmd.Context())
			}
			if err != nil {
				return err
			}
			o := verify.Options{Image: image, Map: imap, Result: filepath.Join(folder, demo.ResultName), Force: force}
			if err := runVerify(cmd.Context(), ui, o, nil, false); err != nil && !errors.Is(err, errFound) {
				return err
			}
			if ui.quiet {
				return nil
			}
			return ui.print(`
The image, its map and the result are in %s. Next:

  fileassay layout %s --map %s
  fileassay verify %s --map %s --trust-doubtful --result %s
  fileassay report %s --html %s --csv %s
`, folder, image, imap, image, imap, filepath.Join(folder, "trusting.result.jsonl"), o.Result, filepath.Join(folder, "foundry.html"), filepath.Join(folder, "foundry.csv"))
		},
	}
	cmd.Flags().StringVar(&folder, "to", "fileassay-demo", "write into `FOLDER`")
	names(cmd.Flags(), folderRole, "to")
	cmd.Flags().BoolVar(&force, "force", false, "replace the files of an earlier demo")
	return cmd
}

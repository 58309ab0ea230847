package main

import (
	"slices"

	"github.com/spf13/cobra"

	"fileassay/verify/program"
	"fileassay/verify/shown"
)

const exitStatus = `
Exit status: 0 all listed files are intact and every list is complete;
1 the run is good, and something is damaged, lost or may be unlisted;
2 wrong usage; 3 an input cannot be used; 4 an output could not be written;
130 interrupted, within a second, with nothing half-written left.`

func newRoot(ui *ui) *cobra.Command {
	root := &cobra.Command{
		Use:   "fileassay",
		Short: "Says which files of a failed drive really came off it",
		Long: `fileassay opens the finished image of a failed drive together with its imaging
map (which sectors were read, which were not), follows every file of every
volume to its sectors, and says of each file: intact, damaged or lost.

The image and the drive are only ever read, and no output replaces a file that
the run reads, by whatever name it is given, --force or not. Work from an image, not from the
failing drive: every further minute of running can be its last. Your local
rules and the responsible technician decide what is done with a drive.
` + exitStatus,
		Version:           program.Version(),
		SilenceErrors:     true,
		SilenceUsage:      true,
		DisableAutoGenTag: true,
		CompletionOptions: cobra.CompletionOptions{HiddenDefaultCmd: true},
		RunE:              onlyHelp,
		Args:              cobra.ArbitraryArgs,
		PersistentPreRunE: ui.prepare,
	}
	root.SetVersionTemplate("fileassay {{.Version}}\n")
	root.SetOut(shown.Writer(&ui.help))
	root.SetErr(shown.Writer(ui.stderr))
	root.PersistentFlags().BoolVarP(&ui.quiet, "quiet", "q", false, "no progress and no remarks on stderr, no summary on stdout")
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		return usagef("%v; %s --help lists the options", err, cmd.CommandPath())
	})
	root.AddCommand(newAudit(ui), newCompare(ui), newDemo(ui), newExtract(ui), newLayout(ui), newMap(ui), newReport(ui), newReread(ui), newVerify(ui))
	return root
}

// onlyHelp is the run of a command that is a name for others.
func onlyHelp(cmd *cobra.Command, args []string) error {
	if len(args) > 0 {
		return usagef("unknown command %q; %s --help lists them", args[0], cmd.CommandPath())
	}
	return cmd.Help()
}

// exactly is cobra.ExactArgs with a message that says what to give.
func exactly(n int, what string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) != n {
			return usagef("%s takes %s, not %d arguments; %s --help tells more", cmd.CommandPath(), what, len(args), cmd.CommandPath())
		}
		if slices.Contains(args, "") {
			return usagef("%s takes %s; an argument is empty, as of a variable that is not set", cmd.CommandPath(), what)
		}
		return nil
	}
}

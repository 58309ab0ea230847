// Command fileassay says which files of a failed drive's image really came
// off the drive. See the README for a working day with it.
package main

import (
	"context"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"
)

func main() { os.Exit(run()) }

// run is main with an exit code, so that tests can call the command as users
// do.
func run() int {
	// what lives is small, and much is thrown away for every file: collecting
	// less often costs some tens of megabytes and saves a fifth of the time
	debug.SetGCPercent(400)
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	ui := newUI(os.Stdout, os.Stderr)
	root := newRoot(ui)
	root.SetArgs(os.Args[1:])
	return ui.exit(root.ExecuteContext(ctx))
}

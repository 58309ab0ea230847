// Command fileassay says which files of a failed drive's image really came
// off the drive. See the README for a working day with it.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
	"time"
)

func main() { os.Exit(run()) }

// How long a run has to end after a signal: first by itself, then until its
// temporary files are gone. Together they stay below a second.
const (
	endsItself = 600 * time.Millisecond
	cleared    = 200 * time.Millisecond
)

// run is main with an exit code, so that tests can call the command as users
// do.
func run() int {
	signals := make(chan os.Signal, 2)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	ui := newUI(os.Stdout, os.Stderr)
	root := newRoot(ui)
	ui.line = os.Args[1:]
	root.SetArgs(ui.line)
	done := make(chan int, 1)
	go func() { done <- ui.exit(root.ExecuteContext(ctx)) }()

	select {
	case code := <-done:
		return code
	case <-signals:
		cancel()
	}
	// What cannot be ended from within (a template, a read that the system does
	// not answer) must not keep the user waiting.
	select {
	case code := <-done:
		return code
	case <-signals:
	case <-time.After(endsItself):
	}
	gone := make(chan struct{})
	go func() {
		ui.exit(context.Canceled)
		close(gone)
	}()
	select {
	case <-gone:
	case <-time.After(cleared):
	}
	return exitCancel
}

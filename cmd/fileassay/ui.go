package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"github.com/dustin/go-humanize"
	"golang.org/x/term"

	"fileassay/report"
	"fileassay/verify/compare"
	"fileassay/verify/files"
	"fileassay/verify/shown"
)

// All that the commands print goes through this file, which makes safe to show
// what comes from outside. Results go to stdout, progress and messages to
// stderr; messages begin with "fileassay: ", in lower case, and say what to do.

// Exit codes; see exitStatus.
const (
	exitClean  = 0
	exitFound  = 1
	exitUsage  = 2
	exitInput  = 3
	exitOutput = 4
	exitCancel = 130 // interrupted by the user
)

type ui struct {
	stdout, stderr io.Writer
	quiet          bool
	files          *files.Set // of the run
	shown          atomic.Pointer[progress]
	help           noting   // help and version, whose errors the command line library keeps for itself
	line           []string // the command line, until prepare has held its files against stdout and stderr
}

// noting writes to stdout and notes its first error.
type noting struct {
	ui  *ui
	err error
}

func (n *noting) Write(p []byte) (int, error) {
	if err := n.ui.printsInto("stdout", n.ui.stdout); err != nil {
		n.err = err
		return 0, err
	}
	k, err := n.ui.stdout.Write(p)
	if n.err == nil {
		n.err = err
	}
	return k, err
}

func newUI(stdout, stderr io.Writer) *ui {
	u := &ui{stdout: stdout, stderr: stderr, files: files.NewSet()}
	u.help.ui = u
	return u
}

// usageError is a wrong use of the command line.
type usageError struct{ msg string }

func (e *usageError) Error() string { return e.msg }

func usagef(format string, a ...any) error { return &usageError{fmt.Sprintf(format, a...)} }

// errFound ends a good run that found something not intact.
var errFound = errors.New("something is damaged, lost or may be unlisted")

// exit ends the run: it removes what has no final name, prints err, if it is
// one, and gives the exit code for it.
func (u *ui) exit(err error) int {
	u.files.Close()
	for _, name := range u.files.Stuck() {
		u.message("%s was left by a run that was killed, and cannot be removed", name)
	}
	if u.help.err != nil {
		err = stdoutError(u.help.err)
	}
	var usage *usageError
	if errors.As(err, &usage) {
		if into := u.printsInto("stderr", u.stderr); into != nil {
			u.stderr, err = io.Discard, into
		}
	}
	var out *files.OutputError
	switch {
	case err == nil:
		return exitClean
	case errors.Is(err, errFound):
		return exitFound
	case errors.Is(err, context.Canceled):
		u.message("interrupted; nothing was left half-written")
		return exitCancel
	case errors.As(err, &usage):
		u.message("%v", err)
		return exitUsage
	case errors.As(err, &out):
		u.message("%v", err)
		return exitOutput
	}
	u.message("%v", err)
	return exitInput
}

func (u *ui) message(format string, a ...any) {
	if p := u.shown.Load(); p != nil {
		p.wipe()
	}
	shown.Fprintf(u.stderr, "fileassay: "+format+"\n", a...)
}

// print prints to stdout.
func (u *ui) print(format string, a ...any) error {
	_, err := shown.Fprintf(u.stdout, format, a...)
	return stdoutError(err)
}

func (u *ui) style() report.Style {
	return report.Style{Color: os.Getenv("NO_COLOR") == "" && isTerminal(u.stdout)}
}

// tell prints what a good run came to, as JSON or as show writes it, and ends it
// with errFound where something of that is not clean.
func (u *ui) tell(asJSON bool, v any, clean bool, show func(w io.Writer) error) error {
	var err error
	switch {
	case asJSON:
		err = u.printJSON(v)
	case !u.quiet:
		err = stdoutError(show(u.stdout))
	}
	if err == nil && !clean {
		err = errFound
	}
	return err
}

// printJSON writes v to stdout, in pieces where it has very many.
func (u *ui) printJSON(v any) error {
	if c, ok := v.(*compare.Comparison); ok {
		return stdoutError(c.WriteJSON(jsonWriter{u.stdout}))
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(v); err != nil {
		return stdoutError(err)
	}
	_, err := jsonWriter{u.stdout}.Write(b.Bytes())
	return stdoutError(err)
}

// jsonWriter writes JSON that is safe to show. Each write holds whole
// characters.
type jsonWriter struct{ w io.Writer }

func (j jsonWriter) Write(b []byte) (int, error) {
	if _, err := j.w.Write(shown.JSON(b)); err != nil {
		return 0, err
	}
	return len(b), nil
}

// stdoutError makes a failed write to stdout an error of the output. What is
// written may have its words from an input, whose errors stay.
func stdoutError(err error) error {
	var usage *usageError
	var input *files.InputError
	if err == nil || errors.As(err, &usage) || errors.As(err, &input) || errors.Is(err, context.Canceled) {
		return err
	}
	return &files.OutputError{Path: "on stdout", Err: err}
}

// fileOf is the open file that is printed to, if it is one.
func fileOf(w io.Writer) (*os.File, bool) {
	f, ok := w.(*os.File)
	return f, ok
}

func isTerminal(w io.Writer) bool {
	f, ok := fileOf(w)
	return ok && term.IsTerminal(int(f.Fd()))
}

// watch returns a function for Options.Progress and one that wipes the line;
// both do nothing where stderr is no terminal.
func (u *ui) watch() (func(step string, done, total int64), func()) {
	p := u.progress()
	if p == nil {
		return nil, func() {}
	}
	return func(step string, done, total int64) {
		p.show(step, func(took time.Duration) string { return progressLine(step, done, total, took) })
	}, p.wipe
}

// progress is the line for progress; nil where stderr is no terminal.
func (u *ui) progress() *progress {
	if u.quiet || !isTerminal(u.stderr) {
		return nil
	}
	p := &progress{w: u.stderr}
	u.shown.Store(p)
	return p
}

// progress is one line on the terminal: a bar, the rate and the time left.
type progress struct {
	mu    sync.Mutex
	w     io.Writer
	step  string
	began time.Time
	shown time.Time
	open  bool
}

// show puts what line gives there, unless it was done just now; took is the time
// since the step began.
func (p *progress) show(step string, line func(took time.Duration) string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := time.Now()
	if step != p.step {
		p.step, p.began, p.shown = step, now, time.Time{}
	}
	if now.Sub(p.shown) < 100*time.Millisecond {
		return
	}
	p.shown = now
	p.open = true
	fmt.Fprint(p.w, "\r\x1b[K", line(now.Sub(p.began)))
}

func (p *progress) wipe() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.open {
		fmt.Fprint(p.w, "\r\x1b[K")
		p.open = false
	}
}

func progressLine(step string, done, total int64, took time.Duration) string {
	const width = 24
	if total <= 0 || done > total {
		return fmt.Sprintf("%s  %s", step, humanize.IBytes(uint64(max(done, 0))))
	}
	full := int(width * float64(done) / float64(total))
	bar := make([]byte, width)
	for i := range bar {
		bar[i] = '.'
		if i < full {
			bar[i] = '='
		}
	}
	line := fmt.Sprintf("%s [%s] %3d %%", step, bar, 100*done/total)
	if s := took.Seconds(); s > 0.5 && done > 0 {
		rate := float64(done) / s
		left := time.Duration(float64(total-done) / rate * float64(time.Second)).Round(time.Second)
		line += fmt.Sprintf("  %s/s  %s left", humanize.IBytes(uint64(rate)), left)
	}
	return line
}

package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// terminal opens a pseudo terminal and returns its far end, and a function
// that closes that and returns what was written to it.
func terminal(t *testing.T) (*os.File, func() string) {
	t.Helper()
	near, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { near.Close() })
	if err := unix.IoctlSetPointerInt(int(near.Fd()), unix.TIOCSPTLCK, 0); err != nil {
		t.Fatal(err)
	}
	n, err := unix.IoctlGetInt(int(near.Fd()), unix.TIOCGPTN)
	if err != nil {
		t.Fatal(err)
	}
	far, err := os.OpenFile(fmt.Sprintf("/dev/pts/%d", n), os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	got := make(chan string)
	go func() {
		data, _ := io.ReadAll(near) // ends with EIO where the far end was closed
		got <- string(data)
	}()
	return far, func() string {
		far.Close()
		return <-got
	}
}

// onTerminal runs the command with stdout and stderr on terminals.
func onTerminal(t *testing.T, args ...string) (stdout, stderr string) {
	t.Helper()
	out, outEnd := terminal(t)
	errs, errsEnd := terminal(t)
	ui := newUI(out, errs)
	root := newRoot(ui)
	root.SetArgs(args)
	ui.exit(root.ExecuteContext(t.Context()))
	return outEnd(), errsEnd()
}

func TestTerminal(t *testing.T) {
	b := newBench(t)
	args := []string{"verify", filepath.Join(b.dir, "ferry.img"), "--assume-read", "--force", "-o", filepath.Join(b.dir, "r.jsonl")}
	t.Setenv("NO_COLOR", "")
	stdout, stderr := onTerminal(t, args...)
	if !strings.Contains(stdout, "\x1b[1m") {
		t.Errorf("no bold on a terminal: %q", stdout)
	}
	if strings.Contains(stderr, "\n") || stderr != "" && !strings.HasSuffix(stderr, "\r\x1b[K") {
		t.Errorf("progress is one line that is wiped: %q", stderr)
	}
	_, stderr = onTerminal(t, append(args, "--quiet")...)
	if stderr != "" {
		t.Errorf("quiet progress: %q", stderr)
	}
	t.Setenv("NO_COLOR", "1")
	if stdout, _ := onTerminal(t, args...); strings.Contains(stdout, "\x1b") || !strings.Contains(stdout, "In all") {
		t.Errorf("NO_COLOR is set: %q", stdout)
	}
}

// TestFullStdout holds a summary that cannot be printed to be an output error.
func TestFullStdout(t *testing.T) {
	for _, args := range [][]string{
		{"verify", "ferry.img", "--assume-read"},
		{"verify", "ferry.img", "--assume-read", "--json"},
		{"layout", "ferry.img", "--assume-read"},
		{"layout", "ferry.img", "--assume-read", "--json"},
		{"--version"},
		{"--help"},
		{"verify", "--help"},
	} {
		b := newBench(t)
		full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
		if err != nil {
			t.Fatal(err)
		}
		c := b.command(args...)
		var stderr strings.Builder
		c.Stdout, c.Stderr = full, &stderr
		err = c.Run()
		full.Close()
		if code := c.ProcessState.ExitCode(); code != exitOutput || !strings.Contains(stderr.String(), "stdout") {
			t.Errorf("%v: exit %d (%v), stderr %q", args, code, err, stderr.String())
		}
	}
}

package tooltest

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"
)

// command builds the program, and returns its path.
func command(b *testing.B) string {
	b.Helper()
	path := filepath.Join(b.TempDir(), "fileassay")
	tool(b, "go", "build", "-o", path, "fileassay/cmd/fileassay")
	return path
}

// measured runs the program to its end, and returns what it prints and the
// largest resident set that it had. That something is damaged is no error.
func measured(b *testing.B, command string, args ...string) (stdout []byte, peak int64) {
	b.Helper()
	c := exec.Command(command, args...)
	var out, errs bytes.Buffer
	c.Stdout, c.Stderr = &out, &errs
	if err := c.Start(); err != nil {
		b.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- c.Wait() }()
	for {
		select {
		case err := <-ended:
			if code := (*exec.ExitError)(nil); err != nil && !(errors.As(err, &code) && code.ExitCode() == 1) {
				b.Fatalf("%v: %v\n%s", args, err, &errs)
			}
			return out.Bytes(), peak
		case <-time.After(10 * time.Millisecond):
			peak = max(peak, highWater(c.Process.Pid))
		}
	}
}

// highWater is the largest resident set of a process so far, in bytes; 0 where
// the system does not tell (it tells nothing of a process that has ended).
func highWater(pid int) int64 {
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0
	}
	for line := range bytes.Lines(status) {
		if rest, ok := bytes.CutPrefix(line, []byte("VmHWM:")); ok {
			kib, err := strconv.ParseInt(string(bytes.TrimSpace(bytes.TrimSuffix(bytes.TrimSpace(rest), []byte("kB")))), 10, 64)
			if err == nil {
				return kib << 10
			}
		}
	}
	return 0
}

package input_test

import (
	"net"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"fileassay/extract/input"
)

// A pipe or a socket is refused, and never waited for.
func TestOpenWaitsForNothing(t *testing.T) {
	dir := t.TempDir()
	pipe, socket := filepath.Join(dir, "pipe"), filepath.Join(dir, "socket")
	if err := unix.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("unix", socket)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for path, want := range map[string]string{pipe: "is a pipe", socket: "is a socket"} {
		got := make(chan error, 1)
		go func() {
			_, err := input.Open("imaging map", path)
			got <- err
		}()
		select {
		case err := <-got:
			if err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("error %v, want %q", err, want)
			}
		case <-time.After(10 * time.Second):
			t.Errorf("%s: it waits", path)
		}
	}
}

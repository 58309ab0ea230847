package image

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"fileassay/extract/imap"
)

// What would wait for another process, or is no store of bytes, is refused
// before it is opened.
func TestOpenRefusesWhatIsNoStore(t *testing.T) {
	dir := t.TempDir()
	pipe := filepath.Join(dir, "pipe")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	socket := filepath.Join(dir, "s")
	l, err := net.Listen("unix", socket)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for path, want := range map[string]string{
		pipe:        "is a pipe",
		socket:      "is a socket",
		"/dev/zero": "is a character device",
	} {
		if _, err := Open(path, &imap.Map{}, Options{}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", path, err, want)
		}
	}
}

// accessMode is how the kernel says that path was opened, by /proc/self/fdinfo
// (proc(5): flags in octal).
func accessMode(t *testing.T, path string) int {
	t.Helper()
	fds, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	for _, fd := range fds {
		if to, err := os.Readlink("/proc/self/fd/" + fd.Name()); err != nil || to != path {
			continue
		}
		info, err := os.ReadFile("/proc/self/fdinfo/" + fd.Name())
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(info)) {
			var flags int
			if n, _ := fmt.Sscanf(line, "flags: %o", &flags); n == 1 {
				return flags & syscall.O_ACCMODE
			}
		}
	}
	t.Fatalf("%s is not open", path)
	return 0
}

// Law 6: a device is opened for reading alone and is the same afterwards.
func TestLoopDevice(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	path := filepath.Join(t.TempDir(), "drive.img")
	data := pattern(1 << 20)
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("losetup", "--find", "--show", path).CombinedOutput()
	if err != nil {
		t.Fatalf("losetup: %v\n%s", err, out)
	}
	device := strings.TrimSpace(string(out))
	defer func() {
		if out, err := exec.Command("losetup", "--detach", device).CombinedOutput(); err != nil {
			t.Errorf("losetup: %v\n%s", err, out)
		}
	}()
	if n, err := Size(device); n != 1<<20 || err != nil {
		t.Fatalf("Size = %d, %v", n, err)
	}
	m := mustMap(t, imap.Range{Start: 0, Length: 1<<20 - 512, State: imap.Read})
	r, err := Open(device, m, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if mode := accessMode(t, device); mode != syscall.O_RDONLY {
		t.Errorf("opened with access mode %d", mode)
	}
	p := make([]byte, 1<<20-512)
	if _, err := r.ReadAt(p, 0); err != nil || !bytes.Equal(p, data[:len(p)]) {
		t.Errorf("reading: %v", err)
	}
	if _, err := r.ReadAt(p[:1], 1<<20-512); err == nil {
		t.Error("an unread sector was read")
	}
	after, err := os.ReadFile(path)
	if err != nil || !bytes.Equal(after, data) {
		t.Errorf("the image changed (%v)", err)
	}
}

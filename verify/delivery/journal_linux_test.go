package delivery_test

import (
	"encoding/binary"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"fileassay/verify/delivery"
)

// The journal is closed before it is removed: some systems remove no file that
// is open.
func TestJournalClosedFirst(t *testing.T) {
	dir, image, result := yard(t)
	to := filepath.Join(dir, "to")
	if err := os.Mkdir(to, 0o755); err != nil {
		t.Fatal(err)
	}
	fd, err := unix.InotifyInit1(unix.IN_NONBLOCK | unix.IN_CLOEXEC)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(fd)
	if _, err := unix.InotifyAddWatch(fd, to, unix.IN_CLOSE_WRITE|unix.IN_DELETE); err != nil {
		t.Fatal(err)
	}
	if _, err := delivery.Run(t.Context(), both(image, result, to)); err != nil {
		t.Fatal(err)
	}
	var seen []string
	buf := make([]byte, 64<<10)
	n, err := unix.Read(fd, buf)
	if err != nil {
		t.Fatal(err)
	}
	for b := buf[:n]; len(b) >= unix.SizeofInotifyEvent; {
		mask, length := binary.NativeEndian.Uint32(b[4:]), binary.NativeEndian.Uint32(b[12:])
		name := strings.TrimRight(string(b[unix.SizeofInotifyEvent:][:length]), "\x00")
		b = b[unix.SizeofInotifyEvent+length:]
		if name == ".fileassay-journal" {
			what := "deleted"
			if mask&unix.IN_CLOSE_WRITE != 0 {
				what = "closed"
			}
			seen = append(seen, what)
		}
	}
	if !slices.Equal(seen, []string{"closed", "deleted"}) {
		t.Errorf("the journal was %v", seen)
	}
}

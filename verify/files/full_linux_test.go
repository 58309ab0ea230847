package files

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"
)

func TestFullWords(t *testing.T) {
	for _, errno := range []syscall.Errno{unix.ENOSPC, unix.EDQUOT} {
		err := &OutputError{Path: "page.html", Err: fmt.Errorf("spreadsheet: %w", &os.PathError{Op: "write", Path: "/x", Err: errno}), Need: 3 << 20}
		want := "output page.html: the disk is full, 3.0 MiB or more are needed; make room, or choose a place on another disk, and run the same command again"
		if err.Error() != want {
			t.Errorf("%q", err.Error())
		}
	}
}

// An output that a disk has no room for is told of in one line, and leaves
// nothing, whichever of its files it was that filled the disk.
func TestFullDisk(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	disk := t.TempDir()
	if err := unix.Mount("tmpfs", disk, "tmpfs", 0, "size=4m"); err != nil {
		t.Fatalf("a small disk cannot be mounted: %v", err)
	}
	defer unix.Unmount(disk, unix.MNT_DETACH)
	mega := make([]byte, 1<<20)
	for name, write := range map[string]func(o *Output) error{
		"output": func(o *Output) error {
			for range 8 {
				if _, err := o.Write(mega); err != nil {
					return err
				}
			}
			return nil
		},
		"spool": func(o *Output) error {
			s, err := o.Spool()
			if err != nil {
				return err
			}
			defer s.Drop()
			for range 3 { // fits once, not twice
				if _, err := s.Write(mega); err != nil {
					return err
				}
			}
			return s.CopyTo(o)
		},
	} {
		s := NewSet()
		err := s.WriteFile(t.Context(), filepath.Join(disk, "out"), false, write)
		if err == nil || !strings.Contains(err.Error(), "the disk is full, ") || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: error %v", name, err)
		}
		s.Close()
		if got := folder(t, disk); len(got) > 0 {
			t.Errorf("%s left %q", name, got)
		}
	}
}

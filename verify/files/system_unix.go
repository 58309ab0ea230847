//go:build unix

package files

import (
	"errors"
	"io/fs"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

// IsFull reports whether an error means that a disk has no room.
func IsFull(err error) bool {
	return errors.Is(err, unix.ENOSPC) || errors.Is(err, unix.EDQUOT)
}

// Lock locks a file as long as it is open. It fails where another process holds
// it.
func Lock(f *os.File) error { return unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB) }

// held reports whether Lock failed since a living run holds the file.
func held(err error) bool { return errors.Is(err, unix.EWOULDBLOCK) }

// sameDevice reports whether two files are one device under two names.
func sameDevice(a, b fs.FileInfo) bool {
	if a.Mode()&fs.ModeDevice == 0 || a.Mode().Type() != b.Mode().Type() {
		return false
	}
	x, ok1 := a.Sys().(*syscall.Stat_t)
	y, ok2 := b.Sys().(*syscall.Stat_t)
	return ok1 && ok2 && x.Rdev == y.Rdev
}

// syncFolder waits until the names in a folder are on the disk, where the
// system can tell.
func syncFolder(dir string) error {
	f, err := os.Open(dir)
	if errors.Is(err, fs.ErrPermission) {
		return nil // a folder that may be written and not read
	}
	if err != nil {
		return err
	}
	defer f.Close()
	if err := f.Sync(); err != nil && !errors.Is(err, unix.EINVAL) && !errors.Is(err, unix.ENOTSUP) {
		return err
	}
	return nil
}

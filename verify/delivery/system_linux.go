package delivery

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// isFull reports whether an error means that the target has no room.
func isFull(err error) bool {
	return errors.Is(err, unix.ENOSPC) || errors.Is(err, unix.EDQUOT)
}

// freeSpace is how many bytes the filesystem of a folder has left; ok is false
// where the system does not tell.
func freeSpace(dir string) (n int64, ok bool) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, false
	}
	return int64(min(s.Bavail, 1<<40)) * s.Bsize, true
}

// syncAll waits until all that was written to the filesystem of f is on it.
func syncAll(f *os.File) error { return unix.Syncfs(int(f.Fd())) }

// lockFile fails where another process holds the file.
func lockFile(f *os.File) error { return unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB) }

// syncsEach says whether small files are waited for one by one: syncAll waits
// for them all.
const syncsEach = false

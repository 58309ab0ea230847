package delivery

import (
	"os"

	"golang.org/x/sys/unix"
)

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

// syncsEach says whether small files are waited for one by one: syncAll waits
// for them all.
const syncsEach = false

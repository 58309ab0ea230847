package delivery

import "golang.org/x/sys/unix"

// freeSpace is how many bytes the filesystem of a folder has left; ok is false
// where the system does not tell.
func freeSpace(dir string) (n int64, ok bool) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, false
	}
	return int64(min(s.Bavail, 1<<40)) * int64(s.Bsize), true
}

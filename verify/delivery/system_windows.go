package delivery

import (
	"os"

	"golang.org/x/sys/windows"
)

// freeSpace is how many bytes of a folder's filesystem the caller may still
// use; ok is false where the system does not tell.
func freeSpace(dir string) (n int64, ok bool) {
	name, err := windows.UTF16PtrFromString(dir)
	if err != nil {
		return 0, false
	}
	var free uint64
	if err := windows.GetDiskFreeSpaceEx(name, &free, nil, nil); err != nil {
		return 0, false
	}
	return int64(min(free, 1<<62)), true
}

// lockFile fails where another process holds the file. What is locked is a byte
// far behind its end, so that the journal itself can be read.
func lockFile(f *os.File) error {
	return windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0,
		&windows.Overlapped{OffsetHigh: 1 << 30})
}

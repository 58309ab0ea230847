//go:build !linux

package delivery

import (
	"errors"
	"os"
	"syscall"
)

// isFull reports whether an error means that the target has no room.
func isFull(err error) bool {
	const windowsDiskFull = syscall.Errno(112) // ERROR_DISK_FULL
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, windowsDiskFull)
}

// syncAll waits until a folder's entries are on the disk, where the system can.
func syncAll(f *os.File) error {
	_ = f.Sync() // some systems cannot sync folders
	return nil
}

// syncsEach says whether small files are waited for one by one.
const syncsEach = true

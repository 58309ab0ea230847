//go:build !linux

package delivery

import "os"

// syncAll waits until a folder's entries are on the disk, where the system can.
func syncAll(f *os.File) error {
	_ = f.Sync() // some systems cannot sync folders
	return nil
}

// syncsEach says whether small files are waited for one by one.
const syncsEach = true

package delivery

import "golang.org/x/sys/windows"

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

package image

import (
	"os"

	"golang.org/x/sys/unix"
)

// Of <sys/disk.h>: _IOR('d', 24, uint32_t) and _IOR('d', 25, uint64_t).
const (
	dkiocGetBlockSize  = 0x40046418
	dkiocGetBlockCount = 0x40086419
)

// isRawDevice reports whether the path is that of a device which cannot be
// described as a file: there are none here.
func isRawDevice(string) bool { return false }

// deviceSize is the size of a disk device and of its blocks, as the system
// tells them. Raw ones, /dev/rdisk and a number, give whole blocks only.
func deviceSize(f *os.File) (size, unit int64, err error) {
	c, err := f.SyscallConn()
	if err != nil {
		return 0, 0, err
	}
	var block, count int
	var told error
	err = c.Control(func(fd uintptr) {
		if block, told = unix.IoctlGetInt(int(fd), dkiocGetBlockSize); told == nil {
			count, told = unix.IoctlGetInt(int(fd), dkiocGetBlockCount)
		}
	})
	if err != nil {
		return 0, 0, err
	}
	if told != nil {
		return 0, 0, told
	}
	return int64(block) * int64(count), int64(block), nil
}

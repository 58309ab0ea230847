package image

import (
	"os"

	"golang.org/x/sys/unix"
)

// isRawDevice reports whether the path is that of a device which cannot be
// described as a file: there are none here.
func isRawDevice(string) bool { return false }

// deviceSize is the size of a block device and of its logical sectors, as the
// system tells them (linux/fs.h: BLKGETSIZE in units of 512 bytes, BLKSSZGET).
func deviceSize(f *os.File) (size, unit int64, err error) {
	c, err := f.SyscallConn()
	if err != nil {
		return 0, 0, err
	}
	var sectors, sector int
	var told error
	err = c.Control(func(fd uintptr) {
		if sectors, told = unix.IoctlGetInt(int(fd), unix.BLKGETSIZE); told != nil {
			return
		}
		var n uint32
		if n, told = unix.IoctlGetUint32(int(fd), unix.BLKSSZGET); told == nil {
			sector = int(n)
		}
	})
	if err != nil {
		return 0, 0, err
	}
	if told != nil {
		size, err = seekSize(f)
		return size, 512, err
	}
	return int64(sectors) * 512, int64(sector), nil
}

package image

import (
	"encoding/binary"
	"os"
	"strings"

	"golang.org/x/sys/windows"
)

// Of winioctl.h.
const (
	ioctlDiskGetLengthInfo    = 0x0007405C
	ioctlDiskGetDriveGeometry = 0x00070000
)

// isRawDevice reports whether the path is that of a device, such as
// \\.\PhysicalDrive1, which the system cannot describe as a file.
func isRawDevice(path string) bool { return strings.HasPrefix(path, `\\.\`) }

// deviceSize is the size of a disk or volume and of its sectors, as the system
// tells them: GET_LENGTH_INFORMATION, and DISK_GEOMETRY with the bytes per
// sector at 20. A device gives whole sectors only.
func deviceSize(f *os.File) (size, unit int64, err error) {
	c, err := f.SyscallConn()
	if err != nil {
		return 0, 0, err
	}
	length, geometry := make([]byte, 8), make([]byte, 24)
	var told error
	err = c.Control(func(fd uintptr) {
		var n uint32
		told = windows.DeviceIoControl(windows.Handle(fd), ioctlDiskGetLengthInfo, nil, 0, &length[0], uint32(len(length)), &n, nil)
		if told != nil {
			return
		}
		told = windows.DeviceIoControl(windows.Handle(fd), ioctlDiskGetDriveGeometry, nil, 0, &geometry[0], uint32(len(geometry)), &n, nil)
	})
	if err != nil {
		return 0, 0, err
	}
	if told != nil {
		return 0, 0, told
	}
	return int64(binary.LittleEndian.Uint64(length)), int64(binary.LittleEndian.Uint32(geometry[20:])), nil
}

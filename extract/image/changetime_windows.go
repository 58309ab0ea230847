package image

import (
	"encoding/binary"
	"os"

	"golang.org/x/sys/windows"
)

// changeTime is when a file was last changed in any way, in the system's own
// unit: FILE_BASIC_INFO has it behind three other times.
func changeTime(path string) int64 {
	f, err := os.Open(path)
	if err != nil {
		return 0
	}
	defer f.Close()
	info := make([]byte, 40)
	if err := windows.GetFileInformationByHandleEx(windows.Handle(f.Fd()), windows.FileBasicInfo, &info[0], uint32(len(info))); err != nil {
		return 0
	}
	return int64(binary.LittleEndian.Uint64(info[24:]))
}

package delivery

import (
	"os"
	"time"

	"golang.org/x/sys/windows"
)

// stampLink sets the time of a link itself, where the filesystem can.
func stampLink(dir *os.Root, name string, when time.Time) {
	d, err := dir.Open(".")
	if err != nil {
		return
	}
	defer d.Close()
	full := make([]uint16, 32<<10)
	n, err := windows.GetFinalPathNameByHandle(windows.Handle(d.Fd()), &full[0], uint32(len(full)), 0)
	if err != nil || int(n) >= len(full) {
		return
	}
	path, err := windows.UTF16PtrFromString(windows.UTF16ToString(full[:n]) + `\` + name)
	if err != nil {
		return
	}
	h, err := windows.CreateFile(path, windows.FILE_WRITE_ATTRIBUTES, windows.FILE_SHARE_READ|windows.FILE_SHARE_WRITE|windows.FILE_SHARE_DELETE,
		nil, windows.OPEN_EXISTING, windows.FILE_FLAG_OPEN_REPARSE_POINT|windows.FILE_FLAG_BACKUP_SEMANTICS, 0)
	if err != nil {
		return
	}
	defer windows.CloseHandle(h)
	ft := windows.NsecToFiletime(when.UnixNano())
	_ = windows.SetFileTime(h, nil, &ft, &ft)
}

//go:build linux || darwin || freebsd || netbsd || openbsd

package delivery

import (
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// stampLink sets the time of a link itself, where the filesystem can.
func stampLink(dir *os.Root, name string, when time.Time) {
	d, err := dir.Open(".")
	if err != nil {
		return
	}
	defer d.Close()
	ts, err := unix.TimeToTimespec(when)
	if err != nil {
		return
	}
	_ = unix.UtimesNanoAt(int(d.Fd()), name, []unix.Timespec{ts, ts}, unix.AT_SYMLINK_NOFOLLOW)
}

//go:build unix

package image

import "golang.org/x/sys/unix"

// changeTime is when a file was last changed in any way, in nanoseconds.
func changeTime(path string) int64 {
	var st unix.Stat_t
	if err := unix.Stat(path, &st); err != nil {
		return 0
	}
	return st.Ctim.Nano()
}

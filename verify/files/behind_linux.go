package files

import (
	"fmt"
	"io/fs"
	"os"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

// behind is the file that a loop device, or a partition of one, shows; "" for
// any other file.
func behind(st fs.FileInfo) string {
	if st == nil || st.Mode().Type() != fs.ModeDevice {
		return ""
	}
	sys, ok := st.Sys().(*syscall.Stat_t)
	if !ok {
		return ""
	}
	dev := fmt.Sprintf("/sys/dev/block/%d:%d/", unix.Major(sys.Rdev), unix.Minor(sys.Rdev))
	for _, at := range []string{"loop/backing_file", "../loop/backing_file"} {
		if text, err := os.ReadFile(dev + at); err == nil {
			return strings.TrimSuffix(string(text), "\n")
		}
	}
	return ""
}

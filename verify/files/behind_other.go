//go:build !linux

package files

import "io/fs"

// behind is the file that a device shows; here the system does not tell.
func behind(fs.FileInfo) string { return "" }

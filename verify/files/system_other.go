//go:build !unix && !windows

package files

import (
	"errors"
	"io/fs"
	"os"
	"syscall"
)

// IsFull reports whether an error means that a disk has no room.
func IsFull(err error) bool { return errors.Is(err, syscall.ENOSPC) }

// Lock locks a file as long as it is open; here it cannot.
func Lock(*os.File) error { return errors.ErrUnsupported }

func held(error) bool { return false }

func sameDevice(a, b fs.FileInfo) bool { return false }

func syncFolder(string) error { return nil }

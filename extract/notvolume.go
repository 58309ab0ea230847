package extract

import "fmt"

// NotVolumeError says why a range of the image could not be opened as a volume
// of a filesystem.
type NotVolumeError struct {
	Filesystem string
	Start      int64 // of the range in the image
	Why        string
}

func (e *NotVolumeError) Error() string {
	return fmt.Sprintf("no %s volume at offset %d: %s", e.Filesystem, e.Start, e.Why)
}

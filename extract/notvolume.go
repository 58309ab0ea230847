package extract

import (
	"fmt"

	"fileassay/extract/ranges"
)

// NotVolumeError says why a range of the image could not be opened as a volume
// of a filesystem.
type NotVolumeError struct {
	Filesystem string
	Start      int64 // of the range in the image
	Why        string
	// Needs are ranges of the image whose unread parts would tell more, where
	// something spoke for such a volume and the rest of what opens it is
	// unread; see [File.Needs].
	Needs []ranges.Range
}

func (e *NotVolumeError) Error() string {
	return fmt.Sprintf("no %s volume at offset %d: %s", e.Filesystem, e.Start, e.Why)
}

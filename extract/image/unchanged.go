package image

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
)

// ErrChanged is the cause where what makes up an image is no longer what it was
// when it was opened.
var ErrChanged = errors.New("the image changed while it was read: let nothing write to it, and run the same command again")

// openedFile is a file or device of an image as it was when the image was
// opened.
type openedFile struct {
	path string
	size int64
	was  fs.FileInfo // nil of a device, of which the size alone is told
	at   int64       // when it was last changed in any way, which nobody can set back; 0 where the system does not tell
}

// lookAt is the file at a path as it is now.
func lookAt(path string) (openedFile, error) {
	f, size, unit, err := openFile(path)
	if err != nil {
		return openedFile{}, err
	}
	defer f.Close()
	return stampOf(f, size, unit)
}

// stampOf is an open file as it is now.
func stampOf(f *os.File, size, unit int64) (openedFile, error) {
	o := openedFile{path: f.Name(), size: size}
	if unit > 0 {
		return o, nil
	}
	var err error
	o.was, err = f.Stat()
	o.at = changeTime(f.Name())
	return o, err
}

// differs says what sets two looks at a file apart; "" for nothing.
func (o *openedFile) differs(now *openedFile) string {
	switch {
	case o.size != now.size:
		return fmt.Sprintf("it had %d bytes and has %d", o.size, now.size)
	case (o.was == nil) != (now.was == nil):
		return "another stands under its name"
	case o.was == nil:
		return ""
	case !os.SameFile(o.was, now.was):
		return "another file stands under its name"
	case !o.was.ModTime().Equal(now.was.ModTime()):
		return "it was written to"
	case o.at != now.at:
		return "its time of change is another: it was written to and its time set back, or it got another link, owner or mode"
	}
	return ""
}

// Unchanged is an error if a file or device that the image was opened from is
// not what it was then: by size, and of a file by its identity and the times
// when it was last written to and changed too. [ErrChanged] is its cause.
func (r *Reader) Unchanged() error {
	for i := range r.files {
		o := &r.files[i]
		now, err := lookAt(o.path)
		if err != nil {
			return fmt.Errorf("%s: %w (%w)", o.path, ErrChanged, err)
		}
		if what := o.differs(&now); what != "" {
			return fmt.Errorf("%s: %w (%s)", o.path, ErrChanged, what)
		}
	}
	return nil
}

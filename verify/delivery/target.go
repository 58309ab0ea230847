package delivery

import (
	"errors"
	"fileassay/verify/files"
	"fmt"
	"io/fs"
	"os"
	"path"
	"sync"
	"time"
)

// target is the payload folder while files are made in it. Everything goes
// through an os.Root, so that no name can reach out of the folder.
type target struct {
	path string   // of the delivery, for messages
	root *os.Root // the payload folder

	mu      sync.Mutex
	folders map[string]*openFolder // that are open
	order   []*openFolder          // of them, the oldest first
}

// openFolder is a folder that is kept open, since many files go to the same.
type openFolder struct {
	root  *os.Root
	name  string
	users int
	stale bool // to be closed when nobody uses it
}

const foldersOpen = 128

// in calls do with the folder of a place, made if it is not there, and the
// name in it.
func (t *target) in(place string, do func(dir *os.Root, name string) error) error {
	dir, name := path.Split(place)
	f, err := t.folder(path.Clean(dir))
	if err != nil {
		return err
	}
	err = do(f.root, name)
	t.mu.Lock()
	defer t.mu.Unlock()
	if f.users--; f.users == 0 && f.stale {
		f.root.Close()
	}
	return err
}

// folder opens a folder for one more user.
func (t *target) folder(dir string) (*openFolder, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if f, ok := t.folders[dir]; ok {
		f.users++
		return f, nil
	}
	root, err := t.root.OpenRoot(dir)
	if errors.Is(err, fs.ErrNotExist) {
		if err = t.root.MkdirAll(dir, 0o755); err == nil {
			root, err = t.root.OpenRoot(dir)
		}
	}
	if err != nil {
		return nil, err
	}
	if len(t.order) == foldersOpen {
		old := t.order[0]
		t.order = append(t.order[:0], t.order[1:]...)
		delete(t.folders, old.name)
		if old.stale = true; old.users == 0 {
			old.root.Close()
		}
	}
	f := &openFolder{root: root, name: dir, users: 1}
	t.folders[dir] = f
	t.order = append(t.order, f)
	return f, nil
}

func (t *target) close() {
	for _, f := range t.folders {
		f.root.Close()
	}
	t.root.Close()
}

// newFile are the flags of a file that is not there yet.
const newFile = os.O_CREATE | os.O_EXCL

// open opens a file that was made before, or with [newFile] makes it.
func (t *target) open(place string, flags int) (f *os.File, err error) {
	err = t.in(place, func(dir *os.Root, name string) error {
		f, err = dir.OpenFile(name, os.O_RDWR|flags, 0o644)
		return err
	})
	return f, err
}

// stamp sets a file's time, and makes it a program where runs says so: of its
// old permissions that alone means something on another machine.
func (t *target) stamp(place string, when time.Time, runs bool) error {
	if when.IsZero() && !runs {
		return nil
	}
	return t.in(place, func(dir *os.Root, name string) error {
		if runs {
			if err := dir.Chmod(name, 0o755); err != nil {
				return err
			}
		}
		if when.IsZero() {
			return nil
		}
		return dir.Chtimes(name, when, when)
	})
}

// fault makes an error of the output.
func (t *target) fault(place string, err error) error {
	return &files.OutputError{Path: t.path, Err: fmt.Errorf("%s: %w", place, err)}
}

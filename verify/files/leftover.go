package files

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"
)

// Kinds of temporary files, the ends of their names. A run holds a lock on its
// output and on its mark as long as it lives; the spool and the folder belong to
// the output of the same number, and are made after it and removed before it.
const (
	outputKind = "partial"
	spoolKind  = "spool"
	folderKind = "scratch"
	markKind   = "renaming"
)

// temporary makes the temporary file of the output at path, and locks it.
func temporary(path string) (f *os.File, number string, err error) {
	before, after := "."+filepath.Base(path)+".", "."+outputKind
	for range 100 {
		if f, err = os.CreateTemp(filepath.Dir(path), before+"*"+after); err != nil {
			return nil, "", err
		}
		if ours(f) {
			number = strings.TrimSuffix(strings.TrimPrefix(filepath.Base(f.Name()), before), after)
			return f, number, nil
		}
		f.Close() // a run beside this one took it for a leftover
	}
	return nil, "", errors.New("another run makes the same output; wait until it has ended")
}

// ours locks a temporary file and reports whether it still stands under its
// name. A system that cannot lock robs nobody: see dead.
func ours(f *os.File) bool {
	if held(Lock(f)) {
		return false
	}
	return stands(f)
}

// stands reports whether an open file still has its name.
func stands(f *os.File) bool {
	a, err1 := f.Stat()
	b, err2 := os.Lstat(f.Name())
	return err1 == nil && err2 == nil && os.SameFile(a, b)
}

// dead opens and locks a temporary file that no living run holds. stuck is true
// where that cannot be told.
func dead(path string) (f *os.File, stuck bool) {
	st, err := os.Lstat(path)
	if err != nil || !st.Mode().IsRegular() {
		return nil, false
	}
	if f, err = os.OpenFile(path, os.O_RDWR, 0); err != nil {
		return nil, !errors.Is(err, fs.ErrNotExist)
	}
	if err = Lock(f); err != nil || !stands(f) {
		f.Close()
		return nil, err != nil && !held(err)
	}
	return f, false
}

// removeLocked removes a temporary file that this run has locked.
func removeLocked(f *os.File) error {
	if runtime.GOOS == "windows" {
		f.Close() // what is open cannot be removed there
	}
	err := os.Remove(f.Name())
	f.Close()
	return err
}

// leftovers are the temporary files of one kind beside an output, by number.
func leftovers(path, kind string) map[string]string {
	out := map[string]string{}
	dir, err := os.Open(filepath.Dir(path))
	if err != nil {
		return out
	}
	defer dir.Close()
	before, after := "."+filepath.Base(path)+".", "."+kind
	for {
		names, err := dir.Readdirnames(1024)
		for _, name := range names {
			number, ok := strings.CutPrefix(name, before)
			if number, ok2 := strings.CutSuffix(number, after); ok && ok2 && number != "" && strings.Trim(number, "0123456789") == "" {
				out[number] = filepath.Join(filepath.Dir(path), name)
			}
		}
		if err != nil {
			return out
		}
	}
}

// clear removes what killed runs left of the output at path.
func (s *Set) clear(path string) {
	gone := func(name string, err error) {
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			s.stuck = append(s.stuck, name)
		}
	}
	scratch := func(number string) {
		spool, folder := hidden(path, number, spoolKind), hidden(path, number, folderKind)
		if st, err := os.Stat(spool); err == nil && !s.holds(st, false) {
			gone(spool, os.Remove(spool))
		}
		if st, err := os.Lstat(folder); err == nil && st.IsDir() && !s.within(folder) {
			gone(folder, os.RemoveAll(folder))
		}
	}
	for number, name := range leftovers(path, outputKind) {
		if st, err := os.Stat(name); err != nil || s.holds(st, false) {
			continue
		}
		f, stuck := dead(name)
		if stuck {
			s.stuck = append(s.stuck, name)
		}
		if f != nil {
			scratch(number)
			gone(name, removeLocked(f))
		}
	}
	for _, kind := range []string{spoolKind, folderKind} {
		for number := range leftovers(path, kind) {
			if _, err := os.Lstat(hidden(path, number, outputKind)); errors.Is(err, fs.ErrNotExist) {
				scratch(number)
			}
		}
	}
}

// within reports whether an input lies in a folder.
func (s *Set) within(folder string) bool {
	found := false
	err := filepath.WalkDir(folder, func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if st, err := os.Stat(path); err == nil && s.holds(st, false) {
			found = true
		}
		return nil
	})
	return found || err != nil
}

// mark makes the note beside an output, of which several are renamed one behind
// the other, that says what it will be: a run that was killed in between must
// not bar the same one from being run again.
func (o *Output) mark() (*os.File, error) {
	st, err := o.tmp.Stat()
	if err != nil {
		return nil, err
	}
	f, err := os.OpenFile(hidden(o.path, o.number, markKind), os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return nil, err
	}
	if !ours(f) {
		err = errors.New("another run makes the same output; wait until it has ended")
	} else if _, err = f.WriteString(markOf(st)); err == nil {
		err = f.Sync()
	}
	if err != nil {
		removeLocked(f)
		return nil, err
	}
	return f, nil
}

// markOf is what a mark says of an output. Some filesystems keep times to two
// seconds only.
func markOf(st fs.FileInfo) string {
	return fmt.Sprintf("%d %d\n", st.Size(), st.ModTime().UnixNano())
}

// interrupted reports whether the file at path is an output of a run that was
// killed between the renames of several.
func interrupted(path string, st fs.FileInfo) bool {
	if !st.Mode().IsRegular() {
		return false
	}
	for _, name := range leftovers(path, markKind) {
		f, _ := dead(name)
		if f == nil {
			continue
		}
		text, err := io.ReadAll(io.LimitReader(f, 100))
		f.Close()
		var size, at int64
		if _, serr := fmt.Sscanf(string(text), "%d %d\n", &size, &at); err != nil || serr != nil || size != st.Size() {
			continue
		}
		if d := st.ModTime().Sub(time.Unix(0, at)); d.Abs() <= 2*time.Second {
			return true
		}
	}
	return false
}

// clearMarks removes the marks of killed runs beside an output that is made.
func clearMarks(path string) {
	for _, name := range leftovers(path, markKind) {
		if f, _ := dead(name); f != nil {
			removeLocked(f)
		}
	}
}

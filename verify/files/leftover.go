package files

import (
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"time"
)

// Kinds of temporary files, the ends of their names. A run holds a lock on its
// output and on its mark as long as it lives; the spool and the folder belong to
// the output of the same number, and are made after it and removed before it.
// One function removes all of them: see clear.
const (
	outputKind = "partial"
	spoolKind  = "spool"
	folderKind = "scratch"
	markKind   = "renaming"
)

// temporary makes the temporary file of the output at path, and locks it.
func temporary(path string) (f *os.File, number string, err error) {
	for range 100 {
		number = proved(filepath.Base(path), fmt.Sprintf("%0*d", numberDigits, rand.IntN(1e6)))
		f, err = os.OpenFile(hidden(path, number, outputKind), os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
		if errors.Is(err, fs.ErrExist) {
			continue
		}
		if err != nil {
			return nil, "", err
		}
		if ours(f) {
			return f, number, nil
		}
		f.Close() // a run beside this one took it for a leftover
	}
	return nil, "", errors.New("another run makes the same output; wait until it has ended")
}

// numberDigits are the digits of a number that are drawn, and those that prove
// it: nobody gives a file such a name by chance.
const numberDigits, proofDigits = 6, 8

// proved is a number with what proves it to be that of a temporary file of the
// output of this name.
func proved(base, drawn string) string {
	sum := crc32.ChecksumIEEE([]byte("temporary file of " + base + " " + drawn))
	return fmt.Sprintf("%s%0*d", drawn, proofDigits, sum%1e8)
}

// isNumber reports whether a run drew the number.
func isNumber(base, number string) bool {
	return len(number) == numberDigits+proofDigits && strings.Trim(number, "0123456789") == "" && number == proved(base, number[:numberDigits])
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

// leftovers are what runs left, or use, of one kind beside an output, by
// number. What no run makes, by its name or its shape, is none of it, nor is an
// input.
func (s *Set) leftovers(path, kind string) map[string]string {
	out := map[string]string{}
	dir, err := os.Open(filepath.Dir(path))
	if err != nil {
		return out
	}
	defer dir.Close()
	base := filepath.Base(path)
	for {
		names, err := dir.Readdirnames(1024)
		for _, name := range names {
			number, ok := strings.CutPrefix(name, "."+base+".")
			if number, ok2 := strings.CutSuffix(number, "."+kind); ok && ok2 && isNumber(base, number) {
				if name = filepath.Join(filepath.Dir(path), name); s.isLeftover(name, kind) {
					out[number] = name
				}
			}
		}
		if err != nil {
			return out
		}
	}
}

func (s *Set) isLeftover(name, kind string) bool {
	st, err := os.Lstat(name)
	switch {
	case err != nil:
		return false
	case kind == folderKind:
		return st.IsDir() && s.inFolder(name) == ""
	}
	return st.Mode().IsRegular() && !s.holds(st, true)
}

// clear removes what killed runs left of the output at path, of kinds in this
// order. A spool and a folder are left by a run whose output is gone.
func (s *Set) clear(path string, kinds ...string) {
	for _, kind := range kinds {
		for number, name := range s.leftovers(path, kind) {
			var err error
			switch kind {
			case outputKind, markKind:
				f, stuck := dead(name)
				if f != nil {
					err = removeLocked(f)
				}
				if stuck {
					s.stuck = append(s.stuck, name)
				}
			default:
				if _, oerr := os.Lstat(hidden(path, number, outputKind)); errors.Is(oerr, fs.ErrNotExist) {
					err = os.RemoveAll(name)
				}
			}
			if err != nil && !errors.Is(err, fs.ErrNotExist) {
				s.stuck = append(s.stuck, name)
			}
		}
	}
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
func (s *Set) interrupted(path string, st fs.FileInfo) bool {
	if !st.Mode().IsRegular() {
		return false
	}
	for _, name := range s.leftovers(path, markKind) {
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

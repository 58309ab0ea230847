package files

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"fileassay/extract/image"
	"fileassay/extract/input"
)

// Set is the files of one run: the inputs, which no output replaces, and the
// outputs that are not yet under their final names. It is safe for concurrent
// use.
type Set struct {
	mu      sync.Mutex
	inputs  []inputFile
	streams []stream
	pending []*Output
	made    []fs.FileInfo // outputs of this run under their final names
	stuck   []string      // what killed runs left and could not be removed
	closed  error         // nil until the set was closed, though its run may go on

	step func(what string) // called before each step of Commit, where a test asks for it
}

// inputFile is a file that is never written to.
type inputFile struct {
	path string
	info fs.FileInfo // nil where nothing stood under the name: then the name is kept free
}

// stream is where a run prints to.
type stream struct {
	name string
	info fs.FileInfo
}

// NewSet returns the files of a run that has not begun.
func NewSet() *Set { return &Set{step: func(string) {}} }

// Within calls do with s, or where s is nil with a fresh set, whose outputs get
// their final names if do gives no error.
func Within(ctx context.Context, s *Set, do func(s *Set) error) error {
	if s != nil {
		return do(s)
	}
	s = NewSet()
	defer s.Close()
	if err := do(s); err != nil {
		return err
	}
	return s.Commit(ctx)
}

// Protect keeps files from being written to, under whatever names. A name under
// which nothing stands is kept free. Names that are empty are left aside.
func (s *Set) Protect(paths ...string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, path := range paths {
		if path != "" {
			s.inputs = append(s.inputs, inputFile{path, identity(path)})
		}
	}
}

// ProtectImage keeps an image with all files that may be its parts from being
// written to; whole says that it has no parts.
func (s *Set) ProtectImage(path string, whole bool) {
	if path != "" {
		s.Protect(image.Files(path, whole)...)
		s.Protect(allBehind(identity(path))...)
	}
}

// allBehind are the file that a device shows, the one that this shows if it is such
// a device too, and so on.
func allBehind(st fs.FileInfo) (out []string) {
	for len(out) < 16 { // devices that show each other do not end
		path := behind(st)
		if path == "" {
			break
		}
		out, st = append(out, path), identity(path)
	}
	return out
}

// identity is what tells one file from all others; nil where there is none.
func identity(path string) fs.FileInfo {
	st, err := os.Stat(path)
	if err != nil {
		return nil
	}
	os.SameFile(st, st) // some systems look for it only when they are asked
	return st
}

// Stream tells where the run prints to, so that it does not print into an input
// or an output.
func (s *Set) Stream(name string, f *os.File) {
	st, err := f.Stat()
	if err != nil {
		return
	}
	os.SameFile(st, st)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.streams = append(s.streams, stream{name, st})
	for _, path := range allBehind(st) {
		if st := identity(path); st != nil {
			s.streams = append(s.streams, stream{name, st})
		}
	}
}

// Open opens an input, which must be a regular file, and protects it. An output
// of the run that is finished can be read before it has its final name.
func (s *Set) Open(kind, path string) (*os.File, error) {
	s.mu.Lock()
	now := path
	for _, o := range s.pending {
		if o.finished && samePlace(o.path, path) {
			now = o.tmp.Name()
		}
	}
	s.mu.Unlock()
	f, err := input.Open(kind, now)
	if err != nil || now != path {
		return f, err
	}
	st, err := f.Stat()
	if err != nil {
		f.Close()
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.inputs = append(s.inputs, inputFile{path, st})
	return f, nil
}

var (
	errInput  = errors.New("is one of the inputs; inputs are never written to")
	errTwice  = errors.New("is named for two outputs; give each a file of its own")
	errFolder = errors.New("is a folder; name a file in it")
	errKind   = errors.New("is no regular file; name a file")
	errStream = errors.New("is where this run prints to; give another file")
)

// IsInput reports whether an error means that an output would have harmed an
// input.
func IsInput(err error) bool { return errors.Is(err, errInput) }

// Check finds out, before anything is read, whether the outputs may be made,
// and whether the run prints into no input. Errors are [*OutputError].
func (s *Set) Check(force bool, paths ...string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, t := range s.streams {
		if s.holds(t.info, false) {
			return &OutputError{Path: "on " + t.name, Err: errInput}
		}
	}
	for i, path := range paths {
		for _, other := range paths[:i] {
			if samePlace(path, other) {
				return &OutputError{Path: path, Err: errTwice}
			}
		}
		if _, err := s.check(path, force); err != nil {
			return err
		}
	}
	return nil
}

// CheckFolder fails where an input lies in a folder in which outputs are to be
// made. A set that is nil has none.
func (s *Set) CheckFolder(path string) error {
	if s == nil {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if in := s.inFolder(path); in != "" {
		return &OutputError{Path: path, Err: fmt.Errorf("holds %s, which %w: give another folder, or move the input", in, errInput)}
	}
	return nil
}

// inFolder is an input that lies in a folder, at any depth, by its name or by
// where a link leads; "" for none.
func (s *Set) inFolder(folder string) string {
	at := identity(folder)
	if at == nil {
		return ""
	}
	for _, in := range s.inputs {
		if in.info == nil {
			continue
		}
		names := []string{in.path}
		if real, err := filepath.EvalSymlinks(in.path); err == nil {
			names = append(names, real)
		}
		for _, name := range names {
			dir, err := filepath.Abs(name)
			for up := filepath.Dir(dir); err == nil && up != dir; dir, up = up, filepath.Dir(up) {
				if st := identity(up); st != nil && os.SameFile(st, at) {
					return in.path
				}
			}
		}
	}
	return ""
}

// check fails where no output may be made at path. What it would replace is was,
// nil where nothing stands there.
func (s *Set) check(path string, force bool) (was fs.FileInfo, err error) {
	bad := func(err error) (fs.FileInfo, error) { return nil, &OutputError{Path: path, Err: err} }
	st, serr := os.Stat(path)
	switch {
	case serr == nil && s.holds(st, true), serr != nil && s.keepsFree(path):
		return bad(errInput)
	case serr == nil && st.IsDir():
		return bad(errFolder)
	}
	was, err = os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return bad(err)
	}
	os.SameFile(was, was)
	for _, m := range s.made {
		if os.SameFile(m, was) {
			return bad(errTwice)
		}
	}
	for _, t := range s.streams {
		if serr == nil && os.SameFile(t.info, st) {
			return bad(errStream)
		}
	}
	if !force && !s.interrupted(path, was) {
		return bad(ErrExists)
	}
	if serr == nil && !st.Mode().IsRegular() {
		return bad(errKind)
	}
	return was, nil
}

// Holds reports whether a file is one of the inputs. A set that is nil has none.
func (s *Set) Holds(st fs.FileInfo) bool {
	if s == nil {
		return false
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.holds(st, false)
}

// holds reports whether a file is one of the inputs; again looks once more what
// stands under their names.
func (s *Set) holds(st fs.FileInfo, again bool) bool {
	for _, in := range s.inputs {
		if in.info != nil && same(in.info, st) {
			return true
		}
		if !again {
			continue
		}
		if now := identity(in.path); now != nil && same(now, st) {
			return true
		}
	}
	return false
}

func same(a, b fs.FileInfo) bool { return os.SameFile(a, b) || sameDevice(a, b) }

// keepsFree reports whether path is the name of an input that is missing.
func (s *Set) keepsFree(path string) bool {
	return slices.ContainsFunc(s.inputs, func(in inputFile) bool {
		return in.info == nil && strings.EqualFold(filepath.Base(in.path), filepath.Base(path)) && sameFolder(in.path, path)
	})
}

// samePlace reports whether two names are one, though spelled in two ways.
func samePlace(a, b string) bool {
	if a == b {
		return true
	}
	x, y := identity(a), identity(b)
	if x != nil && y != nil {
		return os.SameFile(x, y)
	}
	return x == nil && y == nil && filepath.Base(a) == filepath.Base(b) && sameFolder(a, b)
}

func sameFolder(a, b string) bool {
	x, y := identity(filepath.Dir(a)), identity(filepath.Dir(b))
	return x != nil && y != nil && os.SameFile(x, y)
}

// MakeFolder makes a folder for outputs, and those it lies in, where there are
// none.
func MakeFolder(path string) error {
	if err := os.MkdirAll(path, 0o755); err != nil {
		return &OutputError{Path: path, Err: err}
	}
	return nil
}

// Stuck names what killed runs left beside the outputs of this one and could
// not be removed.
func (s *Set) Stuck() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.stuck
}

// Close ends the run: what is not under its final name is removed, and nothing
// further is made.
func (s *Set) Close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.closed = context.Canceled
	for _, o := range s.pending {
		o.remove()
	}
	s.pending = nil
}

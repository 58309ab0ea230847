package files

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"

	"github.com/dustin/go-humanize"
)

// OutputError says that an output could not be written. Nothing half-written
// stands under Path.
type OutputError struct {
	Path string
	Err  error
	Need int64 // where the disk is full: bytes that it needed at the least, 0 where unknown
}

func (e *OutputError) Error() string {
	if !IsFull(e.Err) {
		return fmt.Sprintf("output %s: %v", e.Path, e.Err)
	}
	need := ""
	if e.Need > 0 {
		need = fmt.Sprintf(", %s or more are needed", humanize.IBytes(uint64(e.Need)))
	}
	return fmt.Sprintf("output %s: the disk is full%s; make room, or choose a place on another disk, and run the same command again", e.Path, need)
}

func (e *OutputError) Unwrap() error { return e.Err }

// ErrExists is the cause of an OutputError where something stands under the
// output's name already.
var ErrExists = errors.New("exists already; give another name, or --force to replace it")

// Output is a file that comes into being whole: written beside its final name,
// synced, renamed.
type Output struct {
	set   *Set
	ctx   context.Context // of the run: when it has ended nothing more is written
	path  string
	force bool
	was   fs.FileInfo // what it replaces; nil for nothing

	tmp      *os.File
	number   string // that tells its temporary files from those of other runs
	buf      *bufio.Writer
	n        int64
	finished bool
}

// Create begins an output. It replaces an existing file only with force, and
// never an input. It stands under its final name after [Output.Finish] and then
// [Set.Commit].
func (s *Set) Create(ctx context.Context, path string, force bool) (*Output, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := errors.Join(context.Cause(ctx), s.closed); err != nil {
		return nil, err
	}
	was, err := s.check(path, force)
	if err != nil {
		return nil, err
	}
	for _, o := range s.pending {
		if samePlace(o.path, path) {
			return nil, &OutputError{Path: path, Err: errTwice}
		}
	}
	s.clear(path, outputKind, spoolKind, folderKind)
	tmp, number, err := temporary(path)
	if err != nil {
		return nil, &OutputError{Path: path, Err: err}
	}
	o := &Output{set: s, ctx: ctx, path: path, force: force, was: was, tmp: tmp, number: number, buf: bufio.NewWriterSize(tmp, 1<<20)}
	s.pending = append(s.pending, o)
	return o, nil
}

// WriteFile makes an output of what write writes: whole, or not at all. An
// error of the file is an [*OutputError]; one of write is returned as it is.
func (s *Set) WriteFile(ctx context.Context, path string, force bool, write func(o *Output) error) error {
	o, err := s.Create(ctx, path, force)
	if err != nil {
		return err
	}
	if err := write(o); err != nil {
		o.Drop()
		return err
	}
	return o.Finish()
}

func (o *Output) Write(p []byte) (int, error) {
	if err := o.ctx.Err(); err != nil {
		return 0, err
	}
	n, err := o.buf.Write(p)
	o.n += int64(len(p))
	if err != nil {
		return n, o.fault(err)
	}
	return n, nil
}

func (o *Output) fault(err error) error { return &OutputError{Path: o.path, Err: err, Need: o.n} }

// Finish waits until all that was written is on the disk. After an error the
// output is gone.
func (o *Output) Finish() error {
	err := o.buf.Flush()
	if err == nil {
		err = o.tmp.Chmod(0o644)
	}
	if err == nil {
		err = o.tmp.Sync()
	}
	if err != nil {
		o.Drop()
		if cerr := o.ctx.Err(); cerr != nil {
			return cerr // the run was ended, and its files closed
		}
		return o.fault(err)
	}
	o.set.mu.Lock()
	defer o.set.mu.Unlock()
	o.finished = true
	return nil
}

// Drop throws an output away that is not yet under its final name.
func (o *Output) Drop() {
	o.set.mu.Lock()
	defer o.set.mu.Unlock()
	o.remove()
	o.set.pending = slices.DeleteFunc(o.set.pending, func(p *Output) bool { return p == o })
}

func (o *Output) remove() {
	o.removeScratch()
	if runtime.GOOS == "windows" {
		o.tmp.Close() // what is open cannot be removed there
	}
	os.Remove(o.tmp.Name())
	o.tmp.Close()
}

// Commit gives all outputs their final names, one behind the other. Where that
// fails before the last, those that replaced nothing are taken back. Errors are
// [*OutputError] or the context's.
func (s *Set) Commit(ctx context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := errors.Join(ctx.Err(), s.closed); err != nil {
		return err
	}
	list := s.pending
	s.pending = nil
	err := s.rename(list)
	for _, o := range list {
		o.remove() // does nothing to one that was renamed
	}
	return err
}

func (s *Set) rename(list []*Output) error {
	for _, o := range list {
		if !o.finished {
			return &OutputError{Path: o.path, Err: errors.New("was not finished")}
		}
		was, err := s.check(o.path, o.force || o.was != nil)
		if err != nil {
			return err
		}
		if !o.force && o.was != nil && was != nil && !os.SameFile(o.was, was) {
			return &OutputError{Path: o.path, Err: ErrExists}
		}
		o.was = was
		o.removeScratch()
	}
	var marks []*os.File
	defer func() {
		for _, m := range marks {
			removeLocked(m)
		}
	}()
	if len(list) > 1 {
		for _, o := range list {
			s.step("mark " + o.path)
			m, err := o.mark()
			if err != nil {
				return &OutputError{Path: o.path, Err: err}
			}
			marks = append(marks, m)
		}
		if err := s.syncFolders(list); err != nil {
			return err
		}
	}
	for i, o := range list {
		s.step("rename " + o.path)
		err := s.place(o)
		if err == nil {
			continue
		}
		for _, done := range list[:i] {
			if done.was == nil {
				os.Remove(done.path)
			}
		}
		return err
	}
	if err := s.syncFolders(list); err != nil {
		return err
	}
	for _, o := range list {
		s.step("clear " + o.path)
		s.clear(o.path, markKind)
	}
	return nil
}

// place gives one output its final name.
func (s *Set) place(o *Output) error {
	now, err := os.Lstat(o.path)
	if err == nil {
		for _, m := range s.made { // two names that this filesystem takes for one
			if os.SameFile(m, now) {
				return &OutputError{Path: o.path, Err: errTwice}
			}
		}
		if o.was == nil && !o.force {
			return &OutputError{Path: o.path, Err: ErrExists}
		}
	}
	name := o.tmp.Name()
	if runtime.GOOS == "windows" {
		o.tmp.Close() // what is open cannot be renamed there
	}
	if err := os.Rename(name, o.path); err != nil {
		return o.fault(err)
	}
	if st := identity(o.path); st != nil {
		s.made = append(s.made, st)
	}
	return nil
}

// syncFolders waits until the names of outputs are on the disk.
func (s *Set) syncFolders(list []*Output) error {
	var done []string
	for _, o := range list {
		dir := filepath.Dir(o.path)
		if slices.Contains(done, dir) {
			continue
		}
		done = append(done, dir)
		s.step("sync " + dir)
		if err := syncFolder(dir); err != nil {
			return o.fault(err)
		}
	}
	return nil
}

package result

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"slices"

	"fileassay/verify/files"
)

// Result is a result that was written before, opened to be read. It was
// validated as a whole; what its lines say of one file is validated again when
// they are read. Its files and places are streamed, since a drive may hold
// millions.
type Result struct {
	Path    string
	Image   Image
	Volumes []Volume
	Unread  UnreadMap // all of the drive that was not read
	Summary Summary

	until  context.Context
	f      io.ReaderAt
	close  func() error
	size   int64
	places mark // where the lines of the places begin
	files  mark // where those of the files begin
}

// mark is a place between lines.
type mark struct {
	at   int64
	line int // the number of the line that begins there
}

// Format is the form of the results that this program writes and reads. Form 1
// is not read: it does not say of every unread byte where it lies, so nothing
// holds its verdicts to what was read.
const Format = 2

// Open opens a result and validates all of it: every sum, every file against
// the map of what was not read, every number against the drive. What does not
// hold is a [*files.InputError] that names the line.
func Open(path string) (*Result, error) {
	return OpenIn(context.Background(), files.NewSet(), path)
}

// OpenIn is [Open] within a run, which may have made the result itself. What
// reads the lines of the result ends when ctx ends, with its error.
func OpenIn(ctx context.Context, s *files.Set, path string) (*Result, error) {
	f, err := s.Open("result", path)
	if err != nil {
		return nil, &files.InputError{Err: err}
	}
	var r *Result
	st, err := f.Stat()
	if err == nil {
		r, err = read(ctx, path, f, st.Size())
	}
	if err != nil {
		f.Close()
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		return nil, &files.InputError{Err: fmt.Errorf("result %s: %w", path, err)}
	}
	r.close = f.Close
	return r, nil
}

// Close closes the result's file.
func (r *Result) Close() error { return r.close() }

var (
	errNoImage   = errors.New("does not begin with an image: it is no result, or was cut short; make it again with verify")
	errNoSummary = errors.New("does not end with a summary: it is no result, or was cut short; make it again with verify")
	errOrder     = errors.New("stands out of order: an image, the volumes, the unread places, the files, the summary")
	errNoType    = errors.New("is no object with a type")
)

// read reads and validates a result.
func read(ctx context.Context, path string, f io.ReaderAt, size int64) (*Result, error) {
	r := &Result{Path: path, until: ctx, f: f, size: size}
	c := checker{r: r, borne: borne{m: &r.Unread}}
	in := r.lines(mark{0, 1}, size)
	var file File
	stage := 0
	for {
		line, err := in.read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err == nil {
			err = c.line(line, in.next, &stage, &file)
		}
		if err != nil {
			if stage == 0 {
				return nil, err
			}
			return nil, fmt.Errorf("line %d: %w", in.at.line, err)
		}
	}
	switch {
	case stage == 0:
		return nil, errNoImage
	case stage != stageSummary:
		return nil, errNoSummary
	}
	if err := c.finish(); err != nil {
		return nil, err
	}
	return r, nil
}

// The stages of a result, in order, are the types of its lines.
var stages = [...]string{1: "image", "volume", "unread", "file", "summary"}

const (
	stageImage = 1 + iota
	stageVolume
	stageUnread
	stageFile
	stageSummary
)

// line takes a line; next is where the line after it begins.
func (c *checker) line(line []byte, next mark, stage *int, file *File) error {
	r := c.r
	kind, err := lineType(line)
	if err != nil && *stage == 0 {
		return errNoImage
	}
	if err != nil {
		return err
	}
	now := slices.Index(stages[:], kind)
	switch {
	case *stage == 0 && now != stageImage:
		return errNoImage
	case now < 0:
		return fmt.Errorf("is of the unknown type %q", kind)
	case now < *stage, now == *stage && (now == stageImage || now == stageSummary):
		return fmt.Errorf("a line of type %q %w", kind, errOrder)
	}
	*stage = now
	if now <= stageVolume {
		r.places = next
	}
	if now <= stageUnread {
		r.files = next
	}
	switch now {
	case stageImage:
		err = decode(line, &r.Image)
		if err == nil && r.Image.Format != Format {
			if r.Image.Format == 1 {
				return errors.New("has form 1, of an earlier version, which does not say where every unread byte lies; make it again with verify, from the image and its map")
			}
			return fmt.Errorf("has form %d, this program reads form %d; make it again with verify", r.Image.Format, Format)
		}
		if err == nil {
			err = c.image()
		}
	case stageVolume:
		var v Volume
		if err = decode(line, &v); err == nil {
			r.Volumes = append(r.Volumes, v)
			err = c.volume(&v)
		}
	case stageUnread:
		err = c.unread(line)
	case stageFile:
		if err = parseFile(line, file); err == nil {
			err = c.file(file)
		}
	case stageSummary:
		err = decode(line, &r.Summary)
	}
	return err
}

// decode decodes a line that is written by encoding/json. What would be written
// of it again must stand in it.
func decode(line []byte, v any) error {
	s := scanner{b: line}
	if err := cmp.Or(s.value(), s.end()); err != nil {
		return err
	}
	if err := json.Unmarshal(line, v); err != nil {
		return err
	}
	again, err := json.Marshal(v)
	if err != nil {
		return err
	}
	var is, due any
	if err := errors.Join(json.Unmarshal(line, &is), json.Unmarshal(again, &due)); err != nil {
		return err
	}
	return stands(is, due)
}

// stands holds what stands in a line to what is due there: every field, with a
// value of its kind.
func stands(is, due any) error {
	switch due := due.(type) {
	case map[string]any:
		is, ok := is.(map[string]any)
		for name, v := range due {
			had, there := is[name]
			if !ok || !there {
				return fmt.Errorf("%w: %s", errLacks, name)
			}
			if err := stands(had, v); err != nil {
				return err
			}
		}
	case []any:
		is, ok := is.([]any)
		if !ok || len(is) != len(due) {
			return fmt.Errorf("%w: a list of %d", errLacks, len(due))
		}
		for i := range due {
			if err := stands(is[i], due[i]); err != nil {
				return err
			}
		}
	case nil:
	default:
		if is == nil {
			return fmt.Errorf("%w: a value", errLacks)
		}
	}
	return nil
}

// lineType is the type that a line says it has.
func lineType(line []byte) (string, error) {
	if t, ok := bytes.CutPrefix(line, []byte(`{"type":"`)); ok {
		if i := bytes.IndexByte(t, '"'); i >= 0 {
			return common(t[:i]), nil
		}
	}
	s := scanner{b: line}
	kind := ""
	err := s.object(func(key []byte) (err error) {
		if string(key) == "type" {
			kind, err = s.text()
			return err
		}
		_, err = s.skip()
		return err
	})
	if err == nil && kind == "" {
		err = errNoType
	}
	return kind, err
}

// lineReader reads lines one by one.
type lineReader struct {
	until context.Context
	in    *bufio.Reader
	at    mark // where the line that was read last begins
	next  mark
	long  []byte
}

// lines reads lines from a mark to an end.
func (r *Result) lines(from mark, end int64) *lineReader {
	n := end - from.at
	return &lineReader{until: r.until, in: bufio.NewReaderSize(io.NewSectionReader(r.f, from.at, n), int(min(n, 1<<20))), next: from}
}

// maxLine bounds a line of a result. A file in a million pieces has a line of
// some 40 MB.
const maxLine = 256 << 20

var (
	errLongLine = fmt.Errorf("is longer than %d bytes", maxLine)
	errZero     = errors.New("holds a zero byte: this is no text")
)

// read is the next line that is not blank; [io.EOF] behind the last one. It is
// good until the next call.
func (l *lineReader) read() ([]byte, error) {
	if l.next.line&255 == 0 && l.until.Err() != nil {
		return nil, l.until.Err()
	}
	for {
		l.at = l.next
		line, err := l.in.ReadSlice('\n')
		if errors.Is(err, bufio.ErrBufferFull) {
			l.long = append(l.long[:0], line...)
			for errors.Is(err, bufio.ErrBufferFull) {
				if len(l.long) > maxLine-len(line) {
					return nil, errLongLine
				}
				if bytes.IndexByte(line, 0) >= 0 { // a file may end in very many, and take no room
					return nil, errZero
				}
				line, err = l.in.ReadSlice('\n')
				l.long = append(l.long, line...)
			}
			line = l.long
		}
		if len(line) == 0 && err != nil {
			return nil, err
		}
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, err
		}
		l.next.at += int64(len(line))
		l.next.line++
		if len(bytes.TrimSpace(line)) > 0 {
			return line, nil
		}
	}
}

// Places yields all that was not read, in order of place. After an error, a
// [*files.InputError], it ends. A place is good until the next one.
func (r *Result) Places() iter.Seq2[*Place, error] {
	return func(yield func(*Place, error) bool) {
		in := r.lines(r.places, r.files.at)
		var l unreadLine
		pos := int64(0)
		for {
			line, err := in.read()
			if errors.Is(err, io.EOF) {
				return
			}
			more := false
			if err == nil {
				if err = parseLine(line, unreadFields, &l); err == nil {
					pos, more, err = l.each(&r.Image, len(r.Volumes), pos, func(p *Place) bool { return yield(p, nil) })
				}
			}
			if err != nil {
				yield(nil, r.fault(in.at.line, err))
				return
			}
			if !more {
				return
			}
		}
	}
}

// Files yields the lines of the files in the order of the result, as often as
// it is asked. After an error, a [*files.InputError] that names the line, it
// ends. A record is the caller's to keep.
func (r *Result) Files() iter.Seq2[*File, error] {
	return r.FilesInto(func() *File { return &File{} })
}

// FilesInto is [Result.Files] with records that the caller gives, one for each
// line. One that was yielded before is overwritten, and its lists are used again.
func (r *Result) FilesInto(room func() *File) iter.Seq2[*File, error] {
	return func(yield func(*File, error) bool) {
		in := r.lines(r.files, r.size)
		for {
			line, err := in.read()
			kind := ""
			if err == nil {
				kind, err = lineType(line)
			}
			if kind == "summary" {
				return
			}
			var f *File
			if err == nil {
				f = room()
				err = r.parseFile(line, in.at.at, f)
			}
			if err != nil {
				if errors.Is(err, io.EOF) {
					err = errNoSummary
				}
				yield(nil, r.fault(in.at.line, err))
				return
			}
			if !yield(f, nil) {
				return
			}
		}
	}
}

// FileAt reads the line of one file again, by its place, into f.
func (r *Result) FileAt(at int64, f *File) error {
	line, err := r.lineAt(at)
	if err == nil {
		err = r.parseFile(line, at, f)
	}
	if err != nil && r.until.Err() == nil {
		return &files.InputError{Err: fmt.Errorf("result %s, byte %d: %w; was it changed? open it again", r.Path, at, err)}
	}
	return r.until.Err()
}

// lineAt is the line that begins at a place.
func (r *Result) lineAt(at int64) ([]byte, error) {
	for n := int64(4 << 10); ; n *= 4 {
		b := make([]byte, min(n, r.size-at))
		if k, err := r.f.ReadAt(b, at); k < len(b) {
			return nil, err
		}
		if end := bytes.IndexByte(b, '\n'); end >= 0 || n >= r.size-at {
			return b[:end+1], nil
		}
	}
}

// parseFile reads the line of a file, which begins at a place.
func (r *Result) parseFile(line []byte, at int64, f *File) error {
	err := parseFile(line, f)
	f.At = at
	if err != nil {
		return err
	}
	return r.checkFile(f)
}

func (r *Result) fault(line int, err error) error {
	if r.until.Err() != nil {
		return r.until.Err()
	}
	return &files.InputError{Err: fmt.Errorf("result %s, line %d: %w", r.Path, line, err)}
}

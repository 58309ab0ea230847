package result

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fileassay/verify/files"
	"fmt"
	"io"
	"iter"
	"os"
)

// Result is a result that was written before, opened to be read. Its files
// are streamed, since a drive may hold millions.
type Result struct {
	Path    string
	Image   Image
	Volumes []Volume
	Summary Summary

	f     *os.File
	files int64 // where the lines of the files begin
	line  int   // the number of the first of them
	end   int64 // where they end
}

// resultFormat is the form of results that this program writes and reads.
const resultFormat = 1

// Open opens a result and reads all of it but the lines of its files. A
// result that is no result, or ends before its summary, is an [*files.InputError].
func Open(path string) (*Result, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, &files.InputError{Err: fmt.Errorf("result: %w", err)}
	}
	r := &Result{Path: path, f: f}
	if err := r.read(); err != nil {
		f.Close()
		return nil, &files.InputError{Err: fmt.Errorf("result %s: %w", path, err)}
	}
	return r, nil
}

// Close closes the result's file.
func (r *Result) Close() error { return r.f.Close() }

var errNoImage = errors.New("does not begin with an image: it is no result of verify")

func (r *Result) read() error {
	st, err := r.f.Stat()
	if err != nil {
		return err
	}
	if !st.Mode().IsRegular() {
		return errors.New("is no regular file; give the file that verify wrote")
	}
	last, at, err := lastLine(r.f, st.Size())
	if err != nil {
		return err
	}
	if err := json.Unmarshal(last, &r.Summary); err != nil || r.Summary.Type != "summary" {
		return errors.New("does not end with a summary: it is no result, or was cut short; make it again with verify")
	}
	r.end = at
	if at == 0 {
		return errNoImage
	}
	in := bufio.NewReaderSize(io.NewSectionReader(r.f, 0, at), 1<<20)
	for n := 1; ; n++ {
		line, err := in.ReadBytes('\n')
		if errors.Is(err, io.EOF) && len(line) == 0 {
			r.files, r.line = at, n
			break
		}
		if err != nil {
			return fmt.Errorf("line %d: %w", n, err)
		}
		switch {
		case n == 1:
			if err := json.Unmarshal(line, &r.Image); err != nil || r.Image.Type != "image" {
				return errNoImage
			}
			if r.Image.Format != resultFormat {
				return fmt.Errorf("has form %d, this program reads form %d; make it again with verify", r.Image.Format, resultFormat)
			}
		case bytes.HasPrefix(line, []byte(`{"type":"volume"`)):
			var v Volume
			if err := json.Unmarshal(line, &v); err != nil {
				return fmt.Errorf("line %d: %w", n, err)
			}
			r.Volumes = append(r.Volumes, v)
		default:
			r.line = n
			return nil
		}
		r.files += int64(len(line))
	}
	return nil
}

// lastLine is the last line of a file, with where it begins.
func lastLine(f io.ReaderAt, size int64) ([]byte, int64, error) {
	const step = 64 << 10
	var tail []byte
	for at := size; at > 0; {
		n := min(at, max(step, int64(len(tail))))
		part := make([]byte, n, n+int64(len(tail)))
		if _, err := f.ReadAt(part, at-n); err != nil {
			return nil, 0, err
		}
		at -= n
		tail = append(part, tail...)
		if i := bytes.LastIndexByte(bytes.TrimSuffix(tail, []byte{'\n'}), '\n'); i >= 0 {
			return tail[i+1:], at + int64(i) + 1, nil
		}
		if len(tail) > maxLine {
			break
		}
	}
	return tail, 0, nil
}

// maxLine bounds a line of a result. A file in a million pieces has a line of
// some 40 MB.
const maxLine = 1 << 30

// Files yields the lines of the files in the order of the result, as often as
// it is asked. After an error, an [*files.InputError] that names the line, it ends.
// A record is the caller's to keep.
func (r *Result) Files() iter.Seq2[*File, error] {
	return r.FilesInto(func() *File { return &File{} })
}

// FilesInto is [Result.Files] with records that the caller gives, one for each
// line. One that was yielded before is overwritten, and its lists are used again.
func (r *Result) FilesInto(room func() *File) iter.Seq2[*File, error] {
	return func(yield func(*File, error) bool) {
		in := bufio.NewReaderSize(io.NewSectionReader(r.f, r.files, r.end-r.files), 1<<20)
		var long []byte
		for n := r.line; ; n++ {
			line, err := in.ReadSlice('\n')
			if errors.Is(err, bufio.ErrBufferFull) {
				long = append(long[:0], line...)
				for errors.Is(err, bufio.ErrBufferFull) && len(long) < maxLine {
					line, err = in.ReadSlice('\n')
					long = append(long, line...)
				}
				line = long
			}
			if errors.Is(err, io.EOF) && len(line) == 0 {
				return
			}
			f := room()
			if err == nil {
				err = parseFile(line, f)
			}
			if err != nil {
				yield(nil, &files.InputError{Err: fmt.Errorf("result %s, line %d: %w", r.Path, n, err)})
				return
			}
			if !yield(f, nil) {
				return
			}
		}
	}
}

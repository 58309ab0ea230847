package heads

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
)

// LineError is a line of a head map that cannot be used.
type LineError struct {
	File string
	Line int // from 1; 0 where the whole file is meant
	What string
}

func (e *LineError) Error() string {
	if e.Line == 0 {
		return fmt.Sprintf("head map %s: %s", e.File, e.What)
	}
	return fmt.Sprintf("head map %s, line %d: %s", e.File, e.Line, e.What)
}

// File is a head map with where it came from.
type File struct {
	*Map
	Path   string
	SHA256 [32]byte // of the file's bytes
}

// Load reads a head map from a file: CSV in UTF-8, header "start,length,head",
// start and length in bytes, numbers decimal or 0x-hexadecimal, no quotes, "#"
// begins a comment line. Ranges may stand in any order and leave gaps. A range
// that ends past limit bytes is an error unless limit is 0. Errors in what the
// file says are [*LineError]; of ranges that overlap it names two lines.
func Load(path string, limit int64) (*File, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("head map cannot be opened: %w", err)
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return nil, fmt.Errorf("head map: %w", err)
	}
	if st.IsDir() {
		return nil, &LineError{path, 0, "is a folder: give the head map file itself"}
	}
	h := sha256.New()
	m, err := parse(io.TeeReader(f, h), path, limit)
	if over, ok := errors.AsType[*OverlapError](err); ok {
		return nil, nameOverlap(f, path, over)
	}
	if err != nil {
		return nil, err
	}
	out := &File{Map: m, Path: path}
	h.Sum(out.SHA256[:0])
	return out, nil
}

// Parse reads a head map; name is for errors. See [Load]. Ranges that overlap
// are an [*OverlapError].
func Parse(r io.Reader, name string, limit int64) (*Map, error) { return parse(r, name, limit) }

func parse(r io.Reader, name string, limit int64) (*Map, error) {
	m := &Map{}
	s := scanner{r: bufio.NewReaderSize(r, maxLine), name: name, limit: limit}
	if err := s.each(func(rg Range) bool { m.append(rg); return true }); err != nil {
		return nil, err
	}
	if err := m.settle(); err != nil {
		return nil, fmt.Errorf("head map %s: %w", name, err)
	}
	return m, nil
}

// nameOverlap reads the map again to name two lines that overlap: both ranges
// of over hold the byte that B starts with, so two lines do.
func nameOverlap(r io.ReadSeeker, name string, over *OverlapError) error {
	unnamed := fmt.Errorf("head map %s: %w", name, over)
	if _, err := r.Seek(0, io.SeekStart); err != nil {
		return unnamed // a pipe
	}
	var found *LineError
	var first Range
	line := 0
	s := scanner{r: bufio.NewReaderSize(r, maxLine), name: name}
	err := s.each(func(rg Range) bool {
		if rg.Start > over.B.Start || rg.End() <= over.B.Start {
			return true
		}
		if line == 0 {
			first, line = rg, s.line
			return true
		}
		found = &LineError{name, s.line, fmt.Sprintf("range of %d bytes from %d (head %d) overlaps that of line %d, %d bytes from %d (head %d): no byte has two heads",
			rg.Length, rg.Start, rg.Head, line, first.Length, first.Start, first.Head)}
		return false
	})
	if err != nil || found == nil {
		return unnamed // the file changed under us
	}
	return found
}

// maxLine is the longest line of a head map, in bytes.
const maxLine = 1 << 16

// scanner reads the lines of a head map.
type scanner struct {
	r     *bufio.Reader
	name  string
	limit int64 // where the drive ends; 0 where not known
	line  int   // the line in hand, from 1
}

func (s *scanner) errorf(format string, a ...any) error {
	return &LineError{s.name, s.line, fmt.Sprintf(format, a...)}
}

// each calls yield for every range until that returns false.
func (s *scanner) each(yield func(Range) bool) error {
	header := false
	for last := false; !last; {
		s.line++
		text, err := s.r.ReadSlice('\n')
		switch {
		case err == bufio.ErrBufferFull:
			return s.errorf("is longer than 64 KiB: this is no head map")
		case err == io.EOF:
			last = true
		case err != nil:
			return fmt.Errorf("head map %s: reading line %d: %w", s.name, s.line, err)
		}
		if s.line == 1 {
			if bytes.HasPrefix(text, []byte("\xff\xfe")) || bytes.HasPrefix(text, []byte("\xfe\xff")) {
				return s.errorf("is UTF-16 text: save the head map as UTF-8")
			}
			text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
		}
		text = bytes.TrimSpace(text)
		if len(text) == 0 || text[0] == '#' {
			continue
		}
		a, b, c, ok := fields(text)
		if !header {
			if !ok || string(a) != "start" || string(b) != "length" || string(c) != "head" {
				return s.errorf("the first line that is no comment should be the header start,length,head, not %q", clip(text))
			}
			header = true
			continue
		}
		if !ok {
			return s.errorf("should be start,length,head, not %q", clip(text))
		}
		rg, err := s.parseRange(a, b, c)
		if err != nil {
			return err
		}
		if !yield(rg) {
			return nil
		}
	}
	if !header {
		s.line = 0
		return s.errorf("has no header start,length,head: is this a head map?")
	}
	return nil
}

func (s *scanner) parseRange(a, b, c []byte) (Range, error) {
	var v [3]int64
	for i, f := range [...]struct {
		name string
		text []byte
		most int64
	}{{"start", a, maxOffset}, {"length", b, maxOffset}, {"head", c, MaxHead}} {
		n, err := number(f.text)
		switch {
		case len(f.text) == 0:
			return Range{}, s.errorf("%s is missing", f.name)
		case f.text[0] == '-':
			return Range{}, s.errorf("%s %q is negative", f.name, clip(f.text))
		case errors.Is(err, strconv.ErrSyntax):
			return Range{}, s.errorf("%s %q is no whole number (decimal, or hexadecimal after 0x)", f.name, clip(f.text))
		case err != nil || n > uint64(f.most):
			if f.name == "head" {
				return Range{}, s.errorf("head %q is more than any drive has: heads are numbered from 0 to %d", clip(f.text), MaxHead)
			}
			return Range{}, s.errorf("%s %q is more than any drive holds", f.name, clip(f.text))
		}
		v[i] = int64(n)
	}
	rg := Range{v[0], v[1], int(v[2])}
	if rg.Start > maxOffset-rg.Length {
		return Range{}, s.errorf("range of %d bytes from %d ends past what any drive holds", rg.Length, rg.Start)
	}
	if s.limit > 0 && rg.End() > s.limit {
		return Range{}, s.errorf("range ends at byte %d, past the end of the image at %d; if the drive is larger than its image, say so with --drive-size", rg.End(), s.limit)
	}
	return rg, nil
}

// number reads an unsigned number, decimal or hexadecimal after 0x.
func number(text []byte) (uint64, error) {
	if len(text) > 2 && text[0] == '0' && text[1]|0x20 == 'x' {
		return strconv.ParseUint(string(text[2:]), 16, 64)
	}
	return strconv.ParseUint(string(text), 10, 64)
}

// fields cuts a line at its two commas.
func fields(text []byte) (a, b, c []byte, ok bool) {
	a, rest, _ := bytes.Cut(text, []byte{','})
	b, c, ok = bytes.Cut(rest, []byte{','})
	if !ok || bytes.IndexByte(c, ',') >= 0 {
		return nil, nil, nil, false
	}
	return bytes.TrimSpace(a), bytes.TrimSpace(b), bytes.TrimSpace(c), true
}

// clip shortens text for a message.
func clip(b []byte) []byte {
	if len(b) > 60 {
		return append(b[:60:60], "..."...)
	}
	return b
}

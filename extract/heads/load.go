package heads

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"strconv"

	"fileassay/extract/imap"
	"fileassay/extract/input"
)

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
// file says are [*imap.LineError]; of ranges that overlap it names two lines.
func Load(path string, limit int64) (*File, error) {
	f, err := input.Open(listKind, path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
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
	s := scanner{Lines: imap.NewLines(r, listKind, name), limit: limit}
	if err := s.each(func(rg Range) bool { m.append(rg); return true }); err != nil {
		return nil, err
	}
	if err := m.list.Settle(); err != nil {
		return nil, fmt.Errorf("head map %s: %w", name, err)
	}
	return m, nil
}

// nameOverlap reads the map again to name two lines that overlap: both ranges
// of over hold the byte that B starts with, so two lines do.
func nameOverlap(r io.ReadSeeker, name string, over *OverlapError) error {
	unnamed := fmt.Errorf("head map %s: %w", name, over)
	if _, err := r.Seek(0, io.SeekStart); err != nil {
		return unnamed
	}
	var found *imap.LineError
	var first Range
	line := 0
	s := scanner{Lines: imap.NewLines(r, listKind, name)}
	err := s.each(func(rg Range) bool {
		if rg.Start > over.B.Start || rg.End() <= over.B.Start {
			return true
		}
		if line == 0 {
			first, line = rg, s.Line
			return true
		}
		found = &imap.LineError{Kind: listKind, File: name, Line: s.Line, What: fmt.Sprintf("range of %d bytes from %d (head %d) overlaps that of line %d, %d bytes from %d (head %d): no byte has two heads",
			rg.Length, rg.Start, rg.Head, line, first.Length, first.Start, first.Head)}
		return false
	})
	if err != nil || found == nil {
		return unnamed // the file changed under us
	}
	return found
}

// listKind is what head maps are called in errors.
const listKind = "head map"

// scanner reads the lines of a head map.
type scanner struct {
	*imap.Lines
	limit int64 // where the drive ends; 0 where not known
}

// each calls yield for every range until that returns false.
func (s *scanner) each(yield func(Range) bool) error {
	header := false
	for {
		text, err := s.Next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return err
		}
		text = bytes.TrimSpace(text)
		if len(text) == 0 || text[0] == '#' {
			continue
		}
		a, b, c, ok := imap.Fields(text)
		if !header {
			if !ok || string(a) != "start" || string(b) != "length" || string(c) != "head" {
				return s.Errorf("the first line that is no comment should be the header start,length,head, not %q", imap.Clip(text))
			}
			header = true
			continue
		}
		if !ok {
			return s.Errorf("should be start,length,head, not %q", imap.Clip(text))
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
		s.Line = 0
		return s.Errorf("has no header start,length,head: is this a head map?")
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
			return Range{}, s.Errorf("%s is missing", f.name)
		case f.text[0] == '-':
			return Range{}, s.Errorf("%s %q is negative", f.name, imap.Clip(f.text))
		case errors.Is(err, strconv.ErrSyntax):
			return Range{}, s.Errorf("%s %q is no whole number (decimal, or hexadecimal after 0x)", f.name, imap.Clip(f.text))
		case err != nil || n > uint64(f.most):
			if f.name == "head" {
				return Range{}, s.Errorf("head %q is more than any drive has: heads are numbered from 0 to %d", imap.Clip(f.text), MaxHead)
			}
			return Range{}, s.Errorf("%s %q is more than any drive holds", f.name, imap.Clip(f.text))
		}
		v[i] = int64(n)
	}
	rg := Range{v[0], v[1], int(v[2])}
	if rg.Start > maxOffset-rg.Length {
		return Range{}, s.Errorf("range of %d bytes from %d ends past what any drive holds", rg.Length, rg.Start)
	}
	if s.limit > 0 && rg.End() > s.limit {
		return Range{}, s.Errorf("range ends at byte %d, past the end of the image at %d; if the drive is larger than its image, say so with --drive-size", rg.End(), s.limit)
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

package imap

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

// LineError is a line of a map that cannot be used.
type LineError struct {
	File string
	Line int // from 1; 0 where the whole file is meant
	What string
}

func (e *LineError) Error() string {
	if e.Line == 0 {
		return fmt.Sprintf("imaging map %s: %s", e.File, e.What)
	}
	return fmt.Sprintf("imaging map %s, line %d: %s", e.File, e.Line, e.What)
}

// File is a map with where it came from.
type File struct {
	*Map
	Path   string
	SHA256 [32]byte // of the file's bytes
}

// Load reads a map in our own form from a file: CSV, header
// "start,length,state", numbers decimal or 0x-hexadecimal in bytes, "#" begins
// a comment line. Ranges may stand in any order. A range that ends past limit
// bytes is an error unless limit is 0. Errors in the file are [*LineError].
func Load(path string, limit int64) (*File, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if st, err := f.Stat(); err == nil && st.IsDir() {
		return nil, &LineError{path, 0, "is a folder, not a map"}
	}
	h := sha256.New()
	m, err := Parse(io.TeeReader(f, h), path, limit)
	if err != nil {
		var over *OverlapError
		if errors.As(err, &over) {
			return nil, nameOverlap(path, over)
		}
		return nil, err
	}
	out := &File{Map: m, Path: path}
	h.Sum(out.SHA256[:0])
	return out, nil
}

// Parse reads a map in our own form; name is for errors. See [Load].
func Parse(r io.Reader, name string, limit int64) (*Map, error) {
	m := &Map{}
	err := eachLine(r, name, limit, func(line int, rg Range) error {
		m.append(rg)
		return nil
	})
	if err != nil {
		return nil, err
	}
	if err := m.settle(); err != nil {
		return nil, err
	}
	return m, nil
}

// eachLine calls yield for every range with its line number.
func eachLine(r io.Reader, name string, limit int64, yield func(line int, rg Range) error) error {
	br := bufio.NewReaderSize(r, 1<<16)
	header := false
	for line := 1; ; line++ {
		text, err := br.ReadSlice('\n')
		if err == bufio.ErrBufferFull {
			return &LineError{name, line, "line is longer than 64 KiB: this is no imaging map in our form"}
		}
		if err != nil && err != io.EOF {
			return fmt.Errorf("imaging map %s: reading line %d: %w", name, line, err)
		}
		last := err == io.EOF
		if line == 1 {
			text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
		}
		text = bytes.TrimSpace(text)
		if len(text) > 0 && text[0] != '#' {
			if !header {
				if !isHeader(text) {
					return &LineError{name, line, fmt.Sprintf("the first line should be the header start,length,state, not %q", clip(text))}
				}
				header = true
			} else {
				rg, what := parseLine(text)
				if what == "" && limit > 0 && rg.End() > limit {
					what = fmt.Sprintf("range ends at byte %d, past the end of the image at %d; if the drive is larger than its image, say so with --drive-size", rg.End(), limit)
				}
				if what != "" {
					return &LineError{name, line, what}
				}
				if err := yield(line, rg); err != nil {
					return err
				}
			}
		}
		if last {
			break
		}
	}
	if !header {
		return &LineError{name, 0, "has no header start,length,state: is this an imaging map?"}
	}
	return nil
}

func isHeader(text []byte) bool {
	a, rest, ok1 := bytes.Cut(text, []byte(","))
	b, c, ok2 := bytes.Cut(rest, []byte(","))
	return ok1 && ok2 && string(bytes.TrimSpace(a)) == "start" && string(bytes.TrimSpace(b)) == "length" && string(bytes.TrimSpace(c)) == "state"
}

func parseLine(text []byte) (Range, string) {
	a, rest, ok1 := bytes.Cut(text, []byte(","))
	b, c, ok2 := bytes.Cut(rest, []byte(","))
	if !ok1 || !ok2 || bytes.IndexByte(c, ',') >= 0 {
		return Range{}, fmt.Sprintf("should be start,length,state, not %q", clip(text))
	}
	start, what := parseNumber(a, "start")
	if what != "" {
		return Range{}, what
	}
	length, what := parseNumber(b, "length")
	if what != "" {
		return Range{}, what
	}
	if start > maxOffset-length {
		return Range{}, fmt.Sprintf("range of %d bytes from %d ends past what any drive holds", length, start)
	}
	word := bytes.TrimSpace(c)
	state, ok := ParseState(string(word))
	if !ok {
		return Range{}, fmt.Sprintf("state %q is none of read, doubtful, failed, skipped", clip(word))
	}
	return Range{start, length, state}, ""
}

func parseNumber(field []byte, name string) (int64, string) {
	field = bytes.TrimSpace(field)
	// the fast way for what nearly every line holds
	if n := len(field); n > 0 && n < 19 {
		v := int64(0)
		for _, c := range field {
			if c < '0' || c > '9' {
				v = -1
				break
			}
			v = v*10 + int64(c-'0')
		}
		if v >= 0 {
			return v, ""
		}
	}
	text, base := string(field), 10
	if len(text) > 2 && (text[:2] == "0x" || text[:2] == "0X") {
		text, base = text[2:], 16
	}
	if len(text) > 0 && text[0] == '-' {
		return 0, fmt.Sprintf("%s %q is negative", name, clip(field))
	}
	v, err := strconv.ParseUint(text, base, 63)
	if err != nil || text[0] == '+' {
		return 0, fmt.Sprintf("%s %q is no number of bytes (decimal, or hexadecimal after 0x)", name, clip(field))
	}
	return int64(v), ""
}

func clip(b []byte) string {
	if len(b) > 60 {
		return string(b[:60]) + "..."
	}
	return string(b)
}

// nameOverlap reads the file again to name the two lines that overlap, so that
// no line numbers need be kept for a map that is good.
func nameOverlap(path string, over *OverlapError) error {
	f, err := os.Open(path)
	if err != nil {
		return over
	}
	defer f.Close()
	// of the joined ranges that overlap, find two lines that do
	type found struct {
		line int
		rg   Range
	}
	var lines []found
	_ = eachLine(f, path, 0, func(line int, rg Range) error {
		if rg.Length > 0 && rg.Start < max(over.A.End(), over.B.End()) && rg.End() > over.A.Start {
			lines = append(lines, found{line, rg})
		}
		return nil
	})
	for i, a := range lines {
		for _, b := range lines[:i] {
			if a.rg.Start < b.rg.End() && b.rg.Start < a.rg.End() {
				return &LineError{path, a.line, fmt.Sprintf("range of %d bytes from %d overlaps line %d, %d bytes from %d",
					a.rg.Length, a.rg.Start, b.line, b.rg.Length, b.rg.Start)}
			}
		}
	}
	return over
}

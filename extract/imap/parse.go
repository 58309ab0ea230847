package imap

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
)

// Parse reads a map in our own form; name is for errors. See [Load]. Lines
// that overlap are named if r is an [io.Seeker], else the error holds an
// [*OverlapError].
func Parse(r io.Reader, name string, limit int64) (*Map, error) {
	seeker, canSeek := r.(io.ReadSeeker)
	var from int64
	if canSeek {
		var err error
		from, err = seeker.Seek(0, io.SeekCurrent)
		canSeek = err == nil
	}
	var size int64
	if l, ok := r.(interface{ Len() int }); ok {
		size = int64(l.Len())
	}
	m, err := parse(r, name, limit, size)
	if over, ok := errors.AsType[*OverlapError](err); ok && canSeek {
		return nil, nameOverlap(seeker, from, name, over, func(r io.Reader) lineReader {
			return &scanner{Lines: NewLines(r, listKind, name)}
		})
	}
	return m, err
}

// parse reads a map from r, of about size bytes; 0 where that is not known.
func parse(r io.Reader, name string, limit, size int64) (*Map, error) {
	m := &Map{}
	s := scanner{Lines: NewLines(r, listKind, name), limit: limit}
	err := s.each(func(rg Range) bool {
		m.add(rg, s.Seen, size)
		return true
	})
	if err != nil {
		return nil, err
	}
	if err := m.settle(); err != nil {
		return nil, fmt.Errorf("imaging map %s: %w", name, err)
	}
	return m, nil
}

// add appends a range that a list of size bytes holds before its first seen
// bytes end; 0 where that is not known. It makes room for as many ranges as the
// whole list will hold by those seen, so that a large map is not copied again
// and again, but for at most eight times as many: the rest of the list may be
// nothing but a comment.
func (m *Map) add(r Range, seen, size int64) {
	if n := m.Len(); n == m.list.Cap() {
		room := n + n/4
		if seen > 0 && size > seen {
			guess := float64(n) * float64(size) / float64(seen) * 17 / 16
			room = max(room, int(min(guess, float64(8*n))))
		}
		m.list.Grow(max(room, 1<<10))
	}
	m.append(r)
}

// listKind is what maps of any form are called in errors.
const listKind = "imaging map"

// scanner reads the lines of a map.
type scanner struct {
	*Lines
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
		switch {
		case len(text) == 0 || text[0] == '#':
		case !header:
			if !isHeader(text) {
				return s.Errorf("the first line that is no comment should be the header start,length,state, not %q", Clip(text))
			}
			header = true
		default:
			rg, what := parseLine(text)
			if what == "" && s.limit > 0 && rg.End() > s.limit {
				what = fmt.Sprintf("range ends at byte %d, past the end of the image at %d; if the drive is larger than its image, say so with --drive-size", rg.End(), s.limit)
			}
			if what != "" {
				return s.Errorf("%s", what)
			}
			if !yield(rg) {
				return nil
			}
		}
	}
	if !header {
		s.Line = 0
		return s.Errorf("has no header start,length,state: is this an imaging map?")
	}
	return nil
}

func isHeader(text []byte) bool {
	a, b, c, ok := Fields(text)
	return ok && string(a) == "start" && string(b) == "length" && string(c) == "state"
}

// parseLine reads one range; what says what is wrong with the line, "" for
// nothing.
func parseLine(text []byte) (r Range, what string) {
	a, b, c, ok := Fields(text)
	if !ok {
		return Range{}, fmt.Sprintf("should be start,length,state, not %q", Clip(text))
	}
	if bytes.IndexByte(text, '"') >= 0 {
		return Range{}, fmt.Sprintf("has quotes, which our form does not know: write start,length,state plainly, not %s", Clip(text))
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
	var state State
	switch string(c) {
	case "read":
		state = Read
	case "doubtful":
		state = Doubtful
	case "skipped":
		state = Skipped
	case "failed":
		state = Failed
	default:
		return Range{}, fmt.Sprintf("state %q is none of read, doubtful, failed, skipped", Clip(c))
	}
	return Range{start, length, state}, ""
}

// parseNumber reads the number of bytes in a field called name.
func parseNumber(field []byte, name string) (v int64, what string) {
	digits, base := field, int64(10)
	if len(field) > 2 && field[0] == '0' && field[1]|0x20 == 'x' {
		digits, base = field[2:], 16
	}
	if len(digits) == 0 {
		return 0, name + " is missing"
	}
	large := false
	for i, c := range digits {
		d := int64(16)
		switch {
		case '0' <= c && c <= '9':
			d = int64(c - '0')
		case 'a' <= c|0x20 && c|0x20 <= 'f':
			d = int64(c|0x20-'a') + 10
		}
		if d >= base {
			if i == 0 && c == '-' {
				return 0, fmt.Sprintf("%s %q is negative", name, Clip(field))
			}
			return 0, fmt.Sprintf("%s %q is no number of bytes (decimal, or hexadecimal after 0x)", name, Clip(field))
		}
		if v > (math.MaxInt64-d)/base {
			large = true // but what follows may still be no digit
			v = 0
		}
		v = v*base + d
	}
	if large || v > maxOffset {
		return 0, fmt.Sprintf("%s %q is more than any drive holds", name, Clip(field))
	}
	return v, ""
}

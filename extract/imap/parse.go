package imap

import (
	"bufio"
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
		return nil, nameOverlap(seeker, from, name, over, func(r *bufio.Reader) lineReader {
			return &scanner{r: r, name: name}
		})
	}
	return m, err
}

// parse reads a map from r, of about size bytes; 0 where that is not known.
func parse(r io.Reader, name string, limit, size int64) (*Map, error) {
	m := &Map{}
	s := scanner{r: bufio.NewReaderSize(r, maxLine), name: name, limit: limit}
	err := s.each(func(rg Range) bool {
		if len(m.list) == cap(m.list) {
			m.grow(s.seen, size)
		}
		m.append(rg)
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

// grow makes room for as many ranges as a map file of size bytes will hold, by
// those of its first seen bytes, so that a large map is not copied again and
// again. It grows by at most eight times: the rest of the file may be nothing
// but a comment.
func (m *Map) grow(seen, size int64) {
	n := len(m.list)
	room := n + n/4
	if seen > 0 && size > seen {
		guess := float64(n) * float64(size) / float64(seen) * 17 / 16
		room = max(room, int(min(guess, float64(8*n))))
	}
	list := make([]entry, n, max(room, 1<<10))
	copy(list, m.list)
	m.list = list
}

// maxLine is the longest line of a map, in bytes.
const maxLine = 1 << 16

// scanner reads the lines of a map.
type scanner struct {
	r     *bufio.Reader
	name  string
	limit int64 // where the drive ends; 0 where not known
	line  int   // the line in hand, from 1
	seen  int64 // bytes read so far
}

func (s *scanner) errorf(format string, a ...any) error {
	return &LineError{s.name, s.line, fmt.Sprintf(format, a...)}
}

func (s *scanner) at() int { return s.line }

// each calls yield for every range until that returns false.
func (s *scanner) each(yield func(Range) bool) error {
	header := false
	for last := false; !last; {
		s.line++
		text, err := s.r.ReadSlice('\n')
		s.seen += int64(len(text))
		switch {
		case err == bufio.ErrBufferFull:
			return s.errorf("is longer than 64 KiB: this is no imaging map in our form")
		case err == io.EOF:
			last = true
		case err != nil:
			return fmt.Errorf("imaging map %s: reading line %d: %w", s.name, s.line, err)
		}
		if s.line == 1 {
			if bytes.HasPrefix(text, []byte("\xff\xfe")) || bytes.HasPrefix(text, []byte("\xfe\xff")) {
				return s.errorf("is UTF-16 text: save the map as UTF-8")
			}
			text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
		}
		text = bytes.TrimSpace(text)
		switch {
		case len(text) == 0 || text[0] == '#':
		case !header:
			if !isHeader(text) {
				return s.errorf("the first line that is no comment should be the header start,length,state, not %q", clip(text))
			}
			header = true
		default:
			rg, what := parseLine(text)
			if what == "" && s.limit > 0 && rg.End() > s.limit {
				what = fmt.Sprintf("range ends at byte %d, past the end of the image at %d; if the drive is larger than its image, say so with --drive-size", rg.End(), s.limit)
			}
			if what != "" {
				return s.errorf("%s", what)
			}
			if !yield(rg) {
				return nil
			}
		}
	}
	if !header {
		s.line = 0
		return s.errorf("has no header start,length,state: is this an imaging map?")
	}
	return nil
}

func isHeader(text []byte) bool {
	a, b, c, ok := fields(text)
	return ok && string(a) == "start" && string(b) == "length" && string(c) == "state"
}

// fields cuts a line at its two commas.
func fields(text []byte) (a, b, c []byte, ok bool) {
	i := bytes.IndexByte(text, ',')
	j := bytes.LastIndexByte(text, ',')
	if i < 0 || i == j || bytes.IndexByte(text[i+1:j], ',') >= 0 {
		return nil, nil, nil, false
	}
	return bytes.TrimSpace(text[:i]), bytes.TrimSpace(text[i+1 : j]), bytes.TrimSpace(text[j+1:]), true
}

// parseLine reads one range; what says what is wrong with the line, "" for
// nothing.
func parseLine(text []byte) (r Range, what string) {
	a, b, c, ok := fields(text)
	if !ok {
		return Range{}, fmt.Sprintf("should be start,length,state, not %q", clip(text))
	}
	if bytes.IndexByte(text, '"') >= 0 {
		return Range{}, fmt.Sprintf("has quotes, which our form does not know: write start,length,state plainly, not %s", clip(text))
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
		return Range{}, fmt.Sprintf("state %q is none of read, doubtful, failed, skipped", clip(c))
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
				return 0, fmt.Sprintf("%s %q is negative", name, clip(field))
			}
			return 0, fmt.Sprintf("%s %q is no number of bytes (decimal, or hexadecimal after 0x)", name, clip(field))
		}
		if v > (math.MaxInt64-d)/base {
			large = true // but what follows may still be no digit
			v = 0
		}
		v = v*base + d
	}
	if large || v > maxOffset {
		return 0, fmt.Sprintf("%s %q is more than any drive holds", name, clip(field))
	}
	return v, ""
}

// clip shortens text for a message.
func clip(b []byte) []byte {
	if len(b) > 60 {
		return append(b[:60:60], "..."...)
	}
	return b
}

package imap

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
)

// LineError is a line of a list that cannot be used.
type LineError struct {
	Kind string // of the list: "imaging map", "head map"
	File string
	Line int // from 1; 0 where the whole file is meant
	What string
}

func (e *LineError) Error() string {
	if e.Line == 0 {
		return fmt.Sprintf("%s %s: %s", e.Kind, e.File, e.What)
	}
	return fmt.Sprintf("%s %s, line %d: %s", e.Kind, e.File, e.Line, e.What)
}

// maxLine is the longest line of a list, in bytes.
const maxLine = 1 << 16

// Lines reads a list of ranges, a text in UTF-8, line by line.
type Lines struct {
	Kind string // for errors, as [LineError] has it
	Name string // of the file, for errors
	Line int    // the line in hand, from 1
	Seen int64  // bytes read so far

	r    *bufio.Reader
	last bool
}

// NewLines reads the lines of r. kind and name are for errors.
func NewLines(r io.Reader, kind, name string) *Lines {
	return &Lines{Kind: kind, Name: name, r: bufio.NewReaderSize(r, maxLine)}
}

// Next is the next line, with its end, until the next call; io.EOF where there
// is none. Errors are [*LineError], or of the reader.
func (l *Lines) Next() ([]byte, error) {
	if l.last {
		return nil, io.EOF
	}
	l.Line++
	text, err := l.r.ReadSlice('\n')
	l.Seen += int64(len(text))
	switch {
	case err == nil:
	case err == bufio.ErrBufferFull:
		return nil, l.Errorf("is longer than 64 KiB: this is no %s", l.Kind)
	case err == io.EOF:
		l.last = true
	default:
		return nil, fmt.Errorf("%s %s: reading line %d: %w", l.Kind, l.Name, l.Line, err)
	}
	if l.Line == 1 {
		if bytes.HasPrefix(text, []byte("\xff\xfe")) || bytes.HasPrefix(text, []byte("\xfe\xff")) {
			return nil, l.Errorf("is UTF-16 text: save the %s as UTF-8", l.Kind)
		}
		text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
	}
	return text, nil
}

func (l *Lines) at() int { return l.Line }

// Errorf is an error about the line in hand.
func (l *Lines) Errorf(format string, a ...any) error {
	return &LineError{l.Kind, l.Name, l.Line, fmt.Sprintf(format, a...)}
}

// Fields cuts a line at its two commas; ok is false where it has more or
// fewer.
func Fields(text []byte) (a, b, c []byte, ok bool) {
	i := bytes.IndexByte(text, ',')
	j := bytes.LastIndexByte(text, ',')
	if i < 0 || i == j || bytes.IndexByte(text[i+1:j], ',') >= 0 {
		return nil, nil, nil, false
	}
	return bytes.TrimSpace(text[:i]), bytes.TrimSpace(text[i+1 : j]), bytes.TrimSpace(text[j+1:]), true
}

// Clip shortens text for a message.
func Clip(b []byte) []byte {
	if len(b) > 60 {
		return append(b[:60:60], "..."...)
	}
	return b
}

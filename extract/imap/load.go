package imap

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"

	"fileassay/extract/input"
)

// File is a map with where it came from.
type File struct {
	*Map
	Path   string
	SHA256 [32]byte // of the file's bytes
}

// Load reads a map in our own form from a file: CSV in UTF-8, header
// "start,length,state", numbers decimal or 0x-hexadecimal in bytes, no quotes,
// "#" begins a comment line. Ranges may stand in any order; what none covers
// is Skipped, so a header alone is the map of a drive not yet tried. A range
// that ends past limit bytes is an error unless limit is 0. Errors in what the
// file says are [*LineError]; of ranges that overlap it names two lines.
func Load(path string, limit int64) (*File, error) {
	f, size, err := openMap(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	h := sha256.New()
	m, err := parse(io.TeeReader(f, h), path, limit, size)
	if over, ok := errors.AsType[*OverlapError](err); ok {
		return nil, nameOverlap(f, 0, path, over, func(r io.Reader) lineReader {
			return &scanner{Lines: NewLines(r, listKind, path)}
		})
	}
	if err != nil {
		return nil, err
	}
	out := &File{Map: m, Path: path}
	h.Sum(out.SHA256[:0])
	return out, nil
}

// openMap opens a map of any form, and tells its size in bytes.
func openMap(path string) (*os.File, int64, error) {
	f, err := input.Open(listKind, path)
	if err != nil {
		return nil, 0, err
	}
	st, err := f.Stat()
	if err != nil {
		f.Close()
		return nil, 0, fmt.Errorf("imaging map: %w", err)
	}
	return f, st.Size(), nil
}

// lineReader reads the ranges of a map line by line.
type lineReader interface {
	each(yield func(Range) bool) error // calls yield for every range until that returns false
	at() int                           // the line in hand
}

// nameOverlap reads the map from r again, which begins at from, to name two
// lines that overlap: so no line numbers need be kept of a map that is good.
// Both ranges of over hold the byte that B starts with, so two lines do.
func nameOverlap(r io.ReadSeeker, from int64, name string, over *OverlapError, lines func(io.Reader) lineReader) error {
	unnamed := fmt.Errorf("imaging map %s: %w", name, over)
	if _, err := r.Seek(from, io.SeekStart); err != nil {
		return unnamed
	}
	var found *LineError
	var first Range
	line := 0
	s := lines(r)
	err := s.each(func(rg Range) bool {
		if rg.Start > over.B.Start || rg.End() <= over.B.Start {
			return true
		}
		if line == 0 {
			first, line = rg, s.at()
			return true
		}
		found = &LineError{listKind, name, s.at(), fmt.Sprintf("range of %d bytes from %d (%s) overlaps that of line %d, %d bytes from %d (%s): no byte can have two states",
			rg.Length, rg.Start, rg.State, line, first.Length, first.Start, first.State)}
		return false
	})
	if err != nil || found == nil {
		return unnamed // the file changed under us
	}
	return found
}

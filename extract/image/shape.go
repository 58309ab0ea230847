package image

import (
	"fmt"
	"io"
	"path/filepath"

	"fileassay/extract/imap"
)

// Shape is what an image is made of: one file, a device, or parts.
type Shape struct {
	Path  string // as it was given
	Size  int64  // of the image, bytes
	Parts []Part // in order; nil where one file or device holds it all
	Notes []string

	unit  int64      // bytes that the device gives at a time; 0 where any number
	first openedFile // the file that was given, as it was when it was looked at
	allow bool       // missing and short parts count as skipped

	// A name with a number may be that of a part or of an image of its own.
	// Until that is settled maybe holds the parts that there would be.
	maybe *partSet
}

// PartOptions say how the parts of an image are looked for.
type PartOptions struct {
	Whole        bool // the file that was given holds all of the image, whatever stands beside it
	AllowMissing bool // missing and short parts count as skipped; else they are errors
}

// Look finds what makes up the image at path without reading it.
//
// Parts are files of one folder whose names differ in a number alone: that
// after the last dot (drive.000, drive.001; drive.aa, drive.ab) or else the
// last one in the name (drive-00.img, drive-01.img). All but the last are of
// one size. Where the number stands elsewhere than after the last dot, the
// file may as well be an image of its own beside those of other drives: ask
// [Shape.Limit] how large the image may be, and call [Shape.Settle].
func Look(path string, o PartOptions) (*Shape, error) {
	f, size, unit, err := openFile(path)
	if err != nil {
		return nil, err
	}
	first, err := stampOf(f, size, unit)
	f.Close()
	if err != nil {
		return nil, fmt.Errorf("image %s: %w", path, err)
	}
	regular := unit == 0
	s := &Shape{Path: path, Size: size, unit: unit, first: first, allow: o.AllowMissing}
	if o.Whole || !regular {
		return s, nil
	}
	set := findParts(path)
	if set == nil {
		return s, nil
	}
	if !set.name.own() {
		s.maybe = set
		return s, nil
	}
	return s, s.take(set)
}

// Limit is the largest size that the image may turn out to have.
func (s *Shape) Limit() int64 {
	if s.maybe != nil {
		return max(s.Size, s.maybe.reach())
	}
	return s.Size
}

// Settle decides whether the file is a part or an image of its own, where its
// name leaves that open. reach is where the imaging map ends: the file is a
// part if that is past its own end. If there is no map (reach is 0) it is one
// if the names count from 0 or 1 with leading zeros.
func (s *Shape) Settle(reach int64) error {
	set := s.maybe
	s.maybe = nil
	switch {
	case set == nil:
		return nil
	case reach > s.Size, reach == 0 && set.counted():
		return s.take(set)
	}
	s.Notes = append(s.Notes, fmt.Sprintf("%s is taken for an image of its own, and not for a part together with %s: the imaging map shows no more",
		filepath.Base(s.Path), set.beside()))
	if reach == 0 {
		s.Notes[len(s.Notes)-1] = fmt.Sprintf("%s is taken for an image of its own, and not for a part together with %s: an imaging map would show which",
			filepath.Base(s.Path), set.beside())
	}
	return nil
}

// take makes the image of the parts of set.
func (s *Shape) take(set *partSet) error {
	parts, err := set.parts(s.allow)
	if err != nil {
		return fmt.Errorf("image %s: %w", s.Path, err)
	}
	if set.first() > 1 {
		s.Notes = append(s.Notes, fmt.Sprintf("the parts begin with number %d (%s): it is taken for the start of the drive", set.first(), set.name.at(set.first())))
	}
	s.Parts = parts
	s.Size = parts[len(parts)-1].End()
	return nil
}

// Gaps are the places of the image that missing and short parts do not hold.
func (s *Shape) Gaps() []imap.Range {
	var out []imap.Range
	for _, p := range s.Parts {
		if p.Held < p.Length {
			out = append(out, imap.Range{Start: p.Start + p.Held, Length: p.Length - p.Held, State: imap.Skipped})
		}
	}
	return out
}

// Open opens the image read-only. It fails if the options cannot be meant so.
func (s *Shape) Open(m *imap.Map, o Options) (*Reader, error) {
	if n := o.Sector; n != 0 && (n < 512 || n > 1<<16 || n&(n-1) != 0) {
		return nil, fmt.Errorf("sector size of %d bytes: should be a power of two from 512 to 65536", n)
	}
	if o.DriveSize != 0 && o.DriveSize < s.Size {
		return nil, fmt.Errorf("image %s: has %d bytes, more than the drive with %d: give the drive's true size, or none", s.Path, s.Size, o.DriveSize)
	}
	var src io.ReaderAt
	var close func() error
	var opened []openedFile
	size := s.Size
	if len(s.Parts) > 0 {
		var err error
		if opened, err = stampParts(s.Parts); err != nil {
			return nil, fmt.Errorf("image %s: %w", s.Path, err)
		}
		j := newJoined(s.Parts, opened)
		src, close = j, j.Close
	} else {
		f, now, unit, err := openFile(s.Path)
		if err != nil {
			return nil, err
		}
		o, err := stampOf(f, now, unit)
		if what := s.first.differs(&o); err == nil && what != "" {
			err = fmt.Errorf("%w (%s)", ErrChanged, what)
		}
		if err != nil {
			f.Close()
			return nil, fmt.Errorf("image %s: %w", s.Path, err)
		}
		opened = []openedFile{o}
		src, close, size = f, f.Close, now
		if unit > 1 {
			src = newAligned(f, size, unit)
		}
	}
	r := newReader(src, size, m, o, s.Gaps())
	r.close, r.files = close, opened
	return r, nil
}

// Holes calls yield for the holes of the files that make up the image, in
// order: they read as zeros. ok is false where the system does not tell of
// them, and those before it does not were yielded.
func (s *Shape) Holes(yield func(start, length int64)) (ok bool) {
	parts := s.Parts
	if len(parts) == 0 {
		parts = []Part{{Path: s.Path, Length: s.Size, Held: s.Size}}
	}
	for _, p := range parts {
		if p.Held == 0 {
			continue
		}
		f, _, _, err := openFile(p.Path)
		if err != nil {
			return false
		}
		told := fileHoles(f, p.Held, func(start, length int64) { yield(p.Start+start, length) })
		f.Close()
		if !told {
			return false
		}
	}
	return true
}

package result

import (
	"encoding/json"
	"io"
)

// Writer writes a result. Its methods are to be called in the order of the
// lines: Image, Volume for each, Place for each, the lines of the files (by
// [File.AppendLine], written to where the result goes after Flush), Summary.
type Writer struct {
	w    io.Writer
	line unreadLine
	buf  []byte
}

// NewWriter is a writer of a result to w.
func NewWriter(w io.Writer) *Writer { return &Writer{w: w} }

// Image writes the first line.
func (w *Writer) Image(im *Image) error {
	im.Type, im.Format = "image", Format
	return w.encode(im)
}

// Volume writes the line of a volume.
func (w *Writer) Volume(v *Volume) error {
	v.Type = "volume"
	return w.encode(v)
}

// Summary writes the last line.
func (w *Writer) Summary(s *Summary) error {
	s.Type = "summary"
	return w.encode(s)
}

func (w *Writer) encode(v any) error {
	enc := json.NewEncoder(w.w)
	enc.SetEscapeHTML(false)
	return enc.Encode(v)
}

// Place adds an unread place. Places come in order.
func (w *Writer) Place(p *Place) error {
	l := &w.line
	k := l.kind(&p.Kind)
	if k < 0 || len(l.ranges) == rangesALine {
		if err := w.Flush(); err != nil {
			return err
		}
		k = l.kind(&p.Kind)
	}
	if n := len(l.ranges); n > 0 {
		if last := &l.ranges[n-1]; last[2] == k && last[0]+last[1] == p.Start {
			last[1] += p.Length
			return nil
		}
	}
	l.ranges = append(l.ranges, [3]int64{p.Start, p.Length, k})
	return nil
}

// Flush writes the places that were added and are not written yet.
func (w *Writer) Flush() error {
	l := &w.line
	if len(l.ranges) == 0 {
		return nil
	}
	w.buf = append(appendFields(w.buf[:0], unreadFields, l), '\n')
	_, err := w.w.Write(w.buf)
	l.kinds, l.ranges = l.kinds[:0], l.ranges[:0]
	return err
}

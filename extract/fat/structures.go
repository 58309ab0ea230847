package fat

import (
	"context"

	"fileassay/extract"
	"fileassay/extract/image"
)

// structures are the volume's own structures with their health.
func (l *layout) structures(ctx context.Context) ([]extract.Structure, error) {
	n, err := l.table.count(ctx)
	if err != nil {
		return nil, err
	}
	return append(l.format.structures(l, n), structureOf(l.r, "root folder", l.rootParts...)), nil
}

// structureOf is the health of a structure that has no check of its own but
// that its sectors were read.
func structureOf(r *image.Reader, name string, parts ...extract.Extent) extract.Structure {
	s := extract.Structure{Name: name, Image: -1, Health: extract.HealthRead}
	for i, p := range parts {
		if i == 0 {
			s.Image = p.Image
		}
		s.Length += p.Length
		for u := range r.Unread(p.Image, p.Length) {
			s.Unread += u.Length
		}
	}
	switch {
	case s.Unread >= s.Length:
		s.Health = extract.HealthUnread
	case s.Unread > 0:
		s.Health = extract.HealthPartly
	}
	return s
}

package fat

import (
	"fileassay/extract"
	"fileassay/extract/image"
)

// RootParts are the parts of the image that hold the root, as far as they are
// known. It may be asked before Survey.
func (t *tree) RootParts() []extract.Extent {
	if t.Root == 0 {
		return []extract.Extent{t.FixedRoot}
	}
	var seen set
	f := t.follow(t.Root, -1, t.folderLimit(), func(c uint32, _ *followed) stop {
		if !seen.add(c) {
			return stopLoop
		}
		return stopWhole
	})
	n := node{}
	n.take(t, f)
	return n.parts
}

// ReadRoot decodes the root alone. It may be asked before Survey.
func (t *tree) ReadRoot(yield func(*entry)) tally {
	n := &node{root: true, parent: -1, first: t.Root, parts: t.RootParts()}
	return t.entries(n, yield)
}

// Structure is the health of a structure that has no check of its own but
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

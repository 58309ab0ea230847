package fat

import (
	"context"

	"fileassay/extract"
	"fileassay/extract/image"
)

// Volume is an opened volume; it implements [extract.Filesystem].
type Volume struct{ layout *layout }

// open opens the volume at [start, start+length) by the boot sector and root of a
// format.
func open(ctx context.Context, r *image.Reader, start, length int64, f format) (*Volume, error) {
	l := &layout{r: r, format: f, geometry: geometry{start: start, length: length}}
	if err := f.locate(ctx, l); err != nil {
		return nil, err
	}
	return &Volume{l}, nil
}

// Info is for [extract.Filesystem].
func (v *Volume) Info() extract.Info {
	i := v.layout.format.info()
	i.Cluster, i.Notes, i.Doubt = v.layout.cluster, v.layout.notes, v.layout.doubt
	return i
}

// Walk is for [extract.Filesystem].
func (v *Volume) Walk(ctx context.Context, yield func(*extract.File) error) (*extract.Survey, error) {
	var s extract.Survey
	var err error
	if yield != nil {
		rec, err := readRecords(ctx, v.layout)
		if err != nil {
			return nil, err
		}
		files := &files{records: rec, namer: rec.paths().Namer(), yield: v.layout.doubt.Files(yield)}
		if err := files.walk(ctx); err != nil {
			return nil, err
		}
		s.Space = files.space()
		if s.Listing, err = files.listing(ctx, s.Space); err != nil {
			return nil, err
		}
		v.layout.doubt.Listing(&s.Listing)
		v.layout.open.Listing(&s.Listing)
	}
	s.Structures, err = v.layout.structures(ctx)
	return &s, err
}

package hfsplus

import (
	"context"

	"fileassay/extract"
	"fileassay/extract/image"
)

// Volume is an open HFS+ or HFSX volume. It implements [extract.Filesystem].
type Volume struct {
	*layout
	o     extract.Options
	label string // once the catalog was read
}

// Open opens the HFS+ or HFSX volume in the bytes [start, start+length) of the
// image, by its alternate header where the first is unread or fails its check.
// It returns an [*extract.NotVolumeError] if there is none.
func Open(ctx context.Context, r *image.Reader, start, length int64, o extract.Options) (*Volume, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	l, err := locate(ctx, r, start, length, o)
	if err != nil {
		return nil, err
	}
	return &Volume{layout: l, o: o}, nil
}

// Info describes the volume. The label is known once the catalog was read.
func (v *Volume) Info() extract.Info {
	return extract.Info{Filesystem: v.header.name(), Label: v.label, Cluster: v.header.blockSize, Notes: v.notes, Doubt: v.doubt}
}

// Walk lists the files and folders in the order of the catalog: folder by
// folder in the order of their numbers, and in a folder by name. It is for
// [extract.Filesystem].
func (v *Volume) Walk(ctx context.Context, yield func(*extract.File) error) (*extract.Survey, error) {
	rec, err := readRecords(ctx, v.layout, v.o)
	if err != nil {
		return nil, err
	}
	v.label = rec.catalog.label
	out := &extract.Survey{Structures: v.health()}
	if yield == nil {
		return out, nil
	}
	at := rec.catalog.journalAt
	names := readNames(&rec.catalog, rec.whole())
	rec.settleJournal(names, at)
	w := lister{files: &files{rec, names}}
	if err := w.walk(ctx, v.o, v.doubt.Files(yield)); err != nil {
		return nil, err
	}
	out.Space = w.space()
	out.Listing, err = w.listing(ctx, out.Space)
	v.doubt.Listing(&out.Listing)
	return out, err
}

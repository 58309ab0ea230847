package verify

import (
	"context"
	"io"

	"fileassay/extract/image"
	"fileassay/verify/files"
)

// RunThrough is [Run] where src gives what the image file holds.
func RunThrough(ctx context.Context, o Options, src io.ReaderAt) (*Outcome, error) {
	in, err := OpenImage(o)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	in.Reader = image.New(src, in.Size(), in.Map.Map, image.Options{Sector: o.Sector, TrustDoubtful: o.TrustDoubtful, DriveSize: o.DriveSize})
	out, err := files.Create(o.Result, o.Force, in.files(o)...)
	if err != nil {
		return nil, err
	}
	res, err := run(ctx, o, in, out)
	if err != nil {
		out.Drop()
		return nil, err
	}
	return res, out.Commit()
}

// LayoutThrough is [Layout] where src gives what the image file holds.
func LayoutThrough(ctx context.Context, o Options, src io.ReaderAt) (rec *LayoutRecord, err error) {
	in, err := OpenImage(o)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	in.Reader = image.New(src, in.Size(), in.Map.Map, image.Options{})
	err = in.passes(ctx, func() (err error) {
		rec, err = layout(ctx, o, in)
		return err
	})
	return rec, err
}

// MaxPasses is how often an image is gone over at most.
const MaxPasses = maxPasses

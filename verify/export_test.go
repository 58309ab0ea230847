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
	res := &Outcome{Result: o.Result}
	err = files.Within(ctx, o.Files, func(s *files.Set) error {
		return s.WriteFile(ctx, o.Result, o.Force, func(out *files.Output) error { return run(ctx, o, in, out, res) })
	})
	if err != nil {
		return nil, err
	}
	return res, nil
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

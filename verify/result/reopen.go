package result

import (
	"fmt"
	"slices"

	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/verify/files"
)

// OpenImage opens the image that a result was made from again, read-only, and
// holds it to the result: its size, its parts, and the digests of the metadata
// that its files were found by. What the result calls unread cannot be had from
// it. path is "" for the image that the result names; whole is set where it is
// one file, even if its name counts on into others beside it. Errors are
// [*files.InputError]; [ErrOtherImage] is the cause where it is another image.
func (r *Result) OpenImage(path string, whole bool) (*image.Reader, *image.Shape, error) {
	if path == "" {
		path = r.Image.Path
	}
	in, s, err := r.openImage(path, whole)
	if err != nil {
		return nil, nil, &files.InputError{Err: fmt.Errorf("image %s, result %s: %w", path, r.Path, err)}
	}
	return in, s, nil
}

func (r *Result) openImage(path string, whole bool) (*image.Reader, *image.Shape, error) {
	rec := &r.Image
	short := rec.Parts != nil && len(rec.Parts.Short) > 0
	s, err := image.Look(path, image.PartOptions{Whole: whole || rec.Parts == nil, AllowMissing: short})
	if err != nil {
		return nil, nil, err
	}
	if rec.Parts != nil {
		if err := s.Settle(rec.Size); err != nil {
			return nil, nil, err
		}
	}
	if s.Size != rec.Size {
		return nil, nil, fmt.Errorf("%w: it has %d bytes, that one had %d", ErrOtherImage, s.Size, rec.Size)
	}
	// all was read that is not unread
	m := imap.All(s.Size).With(slices.Collect(r.Unread.Within(0, s.Size)))
	in, err := s.Open(m, image.Options{Sector: rec.Sector, DriveSize: rec.DriveSize})
	if err != nil {
		return nil, nil, err
	}
	for i := range r.Volumes {
		v := &r.Volumes[i]
		switch {
		case v.Proof != nil:
			err = v.Proof.Check(in)
		case v.Files.Total() > 0:
			err = fmt.Errorf("volume %d has no proof of which image it was read from: verify the image again with this version", v.Volume)
		}
		if err != nil {
			in.Close()
			return nil, nil, err
		}
	}
	return in, s, nil
}

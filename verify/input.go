package verify

import (
	"context"
	"errors"
	"fmt"

	"fileassay/extract/heads"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/ranges"
	"fileassay/extract/volume"
	"fileassay/verify/files"
	"fileassay/verify/result"
	"fileassay/verify/wanted"
)

// ErrNoMap is the cause of an [InputError] where neither a map nor the claim
// that all was read is given.
var ErrNoMap = errors.New("without an imaging map nothing can be proved; give it with --map FILE, or claim that every sector was read with --assume-read")

// Input is what a run reads: an image with its maps.
type Input struct {
	*image.Reader
	Shape *image.Shape // what the image is made of
	Map   *imap.File
	Heads *heads.File // nil where none was given

	wanted *wanted.List // nil where none was given
	swept  ranges.Set   // content that was read again, in whichever pass
}

// OpenImage opens the image with its maps, as Options say. Errors are
// [*InputError].
func OpenImage(o Options) (*Input, error) {
	in, err := openImage(o)
	if err != nil {
		return nil, &files.InputError{Err: err}
	}
	return in, nil
}

func openImage(o Options) (*Input, error) {
	if o.Map == "" && !o.AssumeRead {
		return nil, ErrNoMap
	}
	if o.Map != "" && o.AssumeRead {
		return nil, errors.New("both an imaging map and the claim that every sector was read are given; give one")
	}
	in := &Input{}
	var err error
	if in.Shape, err = image.Look(o.Image, image.PartOptions{Whole: o.Whole, AllowMissing: o.AllowMissingParts}); err != nil {
		return nil, err
	}
	packed := in.Shape.Packed()
	reach := int64(0)
	if o.Map != "" {
		if in.Map, err = loadMap(o, in.Shape); err != nil {
			if packed != nil {
				return nil, packed // no map fits a packed image
			}
			return nil, err
		}
		reach = in.Map.End()
	}
	if err := in.Shape.Settle(reach); err != nil {
		return nil, err
	}
	size := in.Shape.Size
	if o.AssumeRead {
		in.Map = &imap.File{Map: imap.All(size)}
	}
	if o.DriveSize != 0 && o.DriveSize < size {
		return nil, fmt.Errorf("image %s has %d bytes, more than the drive size of %d that was given", o.Image, size, o.DriveSize)
	}
	if o.Offset < 0 || o.Offset%512 != 0 {
		return nil, fmt.Errorf("offset %d is no multiple of 512: a drive begins with a sector", o.Offset)
	}
	if o.Offset >= size {
		return nil, fmt.Errorf("offset %d is past the end of image %s, which has %d bytes", o.Offset, o.Image, size)
	}
	if o.Heads != "" {
		if in.Heads, err = heads.Load(o.Heads, max(size, o.DriveSize)); err != nil {
			return nil, err
		}
	}
	in.Reader, err = in.Shape.Open(in.Map.Map, image.Options{Sector: o.Sector, TrustDoubtful: o.TrustDoubtful, DriveSize: o.DriveSize})
	if err != nil {
		return nil, err
	}
	if packed != nil && o.Offset == 0 && in.IsRead(0, packedHead) {
		// else what stands there is no part of the drive, and tells nothing
		in.Close()
		return nil, packed
	}
	return in, nil
}

// packedHead is how many bytes of an image tell that it is packed.
const packedHead = 6

// loadMap reads the map of an image of the given shape.
func loadMap(o Options, s *image.Shape) (*imap.File, error) {
	limit := s.Limit()
	size := max(limit, o.DriveSize)
	if o.Recipe == nil {
		return imap.Load(o.Map, size)
	}
	if o.Recipe.FillsRest() && limit > s.Size && o.DriveSize != limit {
		// such a map ends wherever it is told to, so it cannot show whether
		// what stands beside the image belongs to the drive
		return nil, fmt.Errorf("image %s: the files beside it that its name counts on into may be its parts, and a map that lists only some ranges cannot tell; say --whole if they are not, or --drive-size %d if they are", o.Image, limit)
	}
	return imap.Import(o.Map, o.Recipe.InSectors(o.Sector), size)
}

// layout finds the volumes, or takes the one that was given by hand. Errors
// are [*InputError] or the context's.
func (in *Input) layout(ctx context.Context, o Options) (*volume.Layout, error) {
	var l *volume.Layout
	var err error
	if o.Filesystem != "" {
		l, err = volume.At(ctx, in.Reader, o.VolumeAt, o.Filesystem, o.Options)
	} else {
		l, err = volume.FindFrom(ctx, in.Reader, o.Offset, o.Options)
	}
	if err != nil && ctx.Err() == nil {
		return nil, &files.InputError{Err: fmt.Errorf("image %s: %w", o.Image, err)}
	}
	return l, err
}

// partsRecord tells of the parts of an image; nil where it has none.
func partsRecord(s *image.Shape) *result.Parts {
	if len(s.Parts) == 0 {
		return nil
	}
	rec := &result.Parts{Count: len(s.Parts), First: s.Parts[0].Path, Last: s.Parts[len(s.Parts)-1].Path}
	for _, p := range s.Parts {
		if p.Held < p.Length {
			rec.Short = append(rec.Short, result.Part{Path: p.Path, Start: p.Start, Length: p.Length, Held: p.Held})
		}
	}
	return rec
}

// holesRecord counts the holes of the files that make up the image; nil where
// there are none, or the system does not tell.
func (in *Input) holesRecord() *HolesRecord {
	rec := &HolesRecord{}
	ok := in.Shape.Holes(func(start, length int64) {
		rec.Count++
		rec.Bytes += length
		rec.Read += in.TallyOf(start, length)[imap.Read]
	})
	if !ok || rec.Count == 0 {
		return nil
	}
	return rec
}

package compare

import (
	"errors"
	"fmt"
	"os"

	"fileassay/extract/image"
	"fileassay/verify/files"
	"fileassay/verify/result"
)

// ErrSameImage is the cause of an [*files.InputError] where two results name
// one image.
var ErrSameImage = errors.New("it is the image of both results: the further pass was written into it, what the pass before gave is no longer there, and content cannot be compared; give a copy that was kept of it with --image-before FILE")

// opened is the image of a result. What the result calls unread cannot be had
// from it.
type opened struct {
	*image.Reader
	path  string
	shape *image.Shape
}

// openImage opens the image of a result, and holds it to the result. path is ""
// for the one that the result names; flag says how another is given.
func openImage(path, flag string, whole bool, res *result.Result) (*opened, error) {
	r, s, err := res.OpenImage(path, whole)
	if err != nil {
		return nil, fmt.Errorf("%w; if the image lies elsewhere now, say where with %s FILE", err, flag)
	}
	return &opened{r, s.Path, s}, nil
}

// sameImage reports whether two images share a file.
func sameImage(a, b *opened) bool {
	p, q := a.files(), b.files()
	for i := range min(len(p), len(q)) {
		x, err1 := os.Stat(p[i])
		y, err2 := os.Stat(q[i])
		if err1 == nil && err2 == nil && os.SameFile(x, y) {
			return true
		}
	}
	return false
}

// files are the files that make up the image, in order.
func (o *opened) files() []string {
	if len(o.shape.Parts) == 0 {
		return []string{o.path}
	}
	var list []string
	for _, p := range o.shape.Parts {
		list = append(list, p.Path)
	}
	return list
}

// openImages opens the images of both results.
func openImages(before, after *result.Result, o ContentOptions) (a, b *opened, err error) {
	if p, q := before.Image.Offset, after.Image.Offset; p != q {
		return nil, nil, &files.InputError{Err: fmt.Errorf("results %s and %s: the drive begins at byte %d of one image and at byte %d of the other: content can be compared only where both begin alike",
			before.Path, after.Path, p, q)}
	}
	if a, err = openImage(o.Before, "--image-before", o.Whole, before); err != nil {
		return nil, nil, err
	}
	if b, err = openImage(o.After, "--image-after", o.Whole, after); err != nil {
		a.Close()
		return nil, nil, err
	}
	if sameImage(a, b) {
		a.Close()
		b.Close()
		return nil, nil, &files.InputError{Err: fmt.Errorf("image %s: %w", b.path, ErrSameImage)}
	}
	return a, b, nil
}

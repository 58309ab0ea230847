package verify

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"strconv"
	"strings"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/imap"
)

// Proof is a digest of metadata that was read of a volume: by it a later run
// knows that an image is the one that a result was made from.
type Proof struct {
	Ranges string `json:"ranges"` // "offset+length" of the image, blanks between
	SHA256 string `json:"sha256"` // of their bytes, one behind the other
}

const (
	proofRanges = 128     // at most, of a volume
	proofLength = 4 << 10 // bytes of a range, at most
)

// prove takes a sample of the volume's own structures: its first sector, and
// read parts of its structures, evenly over the volume. It depends on nothing
// that was not read.
func prove(ctx context.Context, fs extract.Filesystem, r *image.Reader, start int64) (*Proof, error) {
	list := []extract.Span{}
	step, seen := 1, 0
	err := fs.Space(ctx, func(at, length int64, use extract.Use) error {
		if use != extract.UseStructure {
			return ctx.Err()
		}
		for o := range r.Over(at, length) {
			if o.State != imap.Read {
				continue
			}
			if seen%step == 0 {
				list = append(list, extract.Span{Start: o.Start, End: o.Start + min(o.Length, proofLength)})
			}
			seen++
			if len(list) == 2*proofRanges { // every other of them will do
				for i := range proofRanges {
					list[i] = list[2*i]
				}
				list, step = list[:proofRanges], 2*step
			}
		}
		return ctx.Err()
	})
	if err != nil {
		return nil, err
	}
	for len(list) > proofRanges-1 {
		n := 0
		for i := 0; i < len(list); i += 2 {
			list[n] = list[i]
			n++
		}
		list = list[:n]
	}
	if r.IsRead(start, r.Sector()) {
		list = append([]extract.Span{{Start: start, End: start + r.Sector()}}, list...)
	}
	p := &Proof{}
	h := sha256.New()
	var b []byte
	for _, s := range list {
		if err := digest(h, r, s.Start, s.End-s.Start); err != nil {
			continue // the image file itself gave an error since: no part of the proof
		}
		if b != nil {
			b = append(b, ' ')
		}
		b = strconv.AppendInt(b, s.Start, 10)
		b = append(b, '+')
		b = strconv.AppendInt(b, s.End-s.Start, 10)
	}
	p.Ranges, p.SHA256 = string(b), hex.EncodeToString(h.Sum(nil))
	return p, nil
}

func digest(h hash.Hash, r *image.Reader, at, n int64) error {
	buf := make([]byte, n)
	if _, err := r.ReadAt(buf, at); err != nil {
		return err
	}
	h.Write(buf)
	return nil
}

// ErrOtherImage is the cause of an [InputError] where an image is not the one
// that a result was made from.
var ErrOtherImage = errors.New("this is not the image that the result was made from")

// Check reads the ranges of the proof again and holds them to its digest.
func (p *Proof) Check(r *image.Reader) error {
	h := sha256.New()
	fields := strings.Fields(p.Ranges)
	if len(fields) > 2*proofRanges {
		return fmt.Errorf("a proof of %d ranges is none that verify writes", len(fields))
	}
	for _, f := range fields {
		a, n, _ := strings.Cut(f, "+")
		at, err1 := strconv.ParseInt(a, 10, 64)
		length, err2 := strconv.ParseInt(n, 10, 64)
		if err1 != nil || err2 != nil || at < 0 || length <= 0 || length > 1<<16 {
			return fmt.Errorf("proof range %q is none", f)
		}
		if err := digest(h, r, at, length); err != nil {
			return fmt.Errorf("%w: metadata at offset %d cannot be read: %w", ErrOtherImage, at, err)
		}
	}
	if hex.EncodeToString(h.Sum(nil)) != p.SHA256 {
		return fmt.Errorf("%w: its metadata has another digest", ErrOtherImage)
	}
	return nil
}

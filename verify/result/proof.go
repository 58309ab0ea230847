package result

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fileassay/extract/image"
	"fmt"
	"hash"
	"strconv"
	"strings"
)

// Proof is a digest of metadata that was read of a volume: by it a later run
// knows that an image is the one that a result was made from.
type Proof struct {
	Ranges string `json:"ranges"` // "offset+length" of the image, blanks between
	SHA256 string `json:"sha256"` // of their bytes, one behind the other
}

// ProofRanges bounds the ranges of a proof.
const ProofRanges = 128

// ErrOtherImage is the cause of a [files.InputError] where an image is not the one
// that a result was made from.
var ErrOtherImage = errors.New("this is not the image that the result was made from")

// Check reads the ranges of the proof again and holds them to its digest.
func (p *Proof) Check(r *image.Reader) error {
	h := sha256.New()
	fields := strings.Fields(p.Ranges)
	if len(fields) > 2*ProofRanges {
		return fmt.Errorf("a proof of %d ranges is none that verify writes", len(fields))
	}
	for _, f := range fields {
		a, n, _ := strings.Cut(f, "+")
		at, err1 := strconv.ParseInt(a, 10, 64)
		length, err2 := strconv.ParseInt(n, 10, 64)
		if err1 != nil || err2 != nil || at < 0 || length <= 0 || length > 1<<16 {
			return fmt.Errorf("proof range %q is none", f)
		}
		if err := Digest(h, r, at, length); err != nil {
			return fmt.Errorf("%w: metadata at offset %d cannot be read: %w", ErrOtherImage, at, err)
		}
	}
	if hex.EncodeToString(h.Sum(nil)) != p.SHA256 {
		return fmt.Errorf("%w: its metadata has another digest", ErrOtherImage)
	}
	return nil
}

// Digest reads n bytes of an image into a proof's digest.
func Digest(h hash.Hash, r *image.Reader, at, n int64) error {
	buf := make([]byte, n)
	if _, err := r.ReadAt(buf, at); err != nil {
		return err
	}
	h.Write(buf)
	return nil
}

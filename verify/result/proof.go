package result

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"fileassay/extract/image"
)

// Proof has digests of metadata that was read of a volume: by them a later run
// knows that an image is the one that a result was made from.
type Proof struct {
	Ranges string `json:"ranges"` // "offset+length" of the image, blanks between
	SHA256 string `json:"sha256"` // of the bytes of each range, its first 16 hexadecimal digits, blanks between
}

// ProofRanges bounds the ranges of a proof, and proofLength their bytes.
const (
	ProofRanges = 128
	proofLength = 1 << 16
)

// ErrOtherImage is the cause of a [files.InputError] where an image is not the one
// that a result was made from.
var ErrOtherImage = errors.New("this is not the image that the result was made from")

// proofDigits is how many hexadecimal digits of a digest are kept.
const proofDigits = 16

// Add puts in a range of an image; an error leaves the proof as it was.
func (p *Proof) Add(r *image.Reader, at, n int64) error {
	sum, err := proofOf(r, at, n)
	if err != nil {
		return err
	}
	p.Ranges = strings.TrimSpace(fmt.Sprintf("%s %d+%d", p.Ranges, at, n))
	p.SHA256 = strings.TrimSpace(p.SHA256 + " " + sum)
	return nil
}

func proofOf(r *image.Reader, at, n int64) (string, error) {
	buf := make([]byte, n)
	if _, err := r.ReadAt(buf, at); err != nil {
		return "", err
	}
	sum := sha256.Sum256(buf)
	return hex.EncodeToString(sum[:])[:proofDigits], nil
}

// each calls yield for each range with its digest, until it gives an error.
func (p *Proof) each(yield func(at, n int64, sum string) error) error {
	ranges, sums := strings.Fields(p.Ranges), strings.Fields(p.SHA256)
	if len(ranges) > ProofRanges || len(ranges) != len(sums) {
		return fmt.Errorf("a proof of %d ranges and %d digests is none that verify writes", len(ranges), len(sums))
	}
	for i, f := range ranges {
		a, n, _ := strings.Cut(f, "+")
		at, err1 := strconv.ParseInt(a, 10, 64)
		length, err2 := strconv.ParseInt(n, 10, 64)
		if err1 != nil || err2 != nil || at < 0 || length <= 0 || length > proofLength {
			return fmt.Errorf("proof range %q is none", f)
		}
		if err := yield(at, length, sums[i]); err != nil {
			return err
		}
	}
	return nil
}

// Check reads the ranges of the proof again and holds them to their digests. What
// the image file itself does not give now proves nothing and is passed over, as
// long as it gives any.
func (p *Proof) Check(r *image.Reader) error {
	asked, given := 0, 0
	var fault error
	err := p.each(func(at, n int64, want string) error {
		if !r.IsRead(at, n) {
			return fmt.Errorf("proof range %d+%d was not read, by the result's own map", at, n)
		}
		asked++
		sum, err := proofOf(r, at, n)
		switch {
		case err != nil:
			fault = err
			return nil
		case sum != want:
			return fmt.Errorf("%w: metadata at offset %d has another digest", ErrOtherImage, at)
		}
		given++
		return nil
	})
	if err == nil && given == 0 && asked > 0 {
		err = fmt.Errorf("whether it is the image that the result was made from cannot be told: none of its metadata can be read now; copy the image anew: %w", fault)
	}
	return err
}

// Differs reports whether a range that both proofs have holds other bytes.
func (p *Proof) Differs(q *Proof) bool {
	type place struct{ at, n int64 }
	sums := map[place]string{}
	_ = p.each(func(at, n int64, sum string) error { sums[place{at, n}] = sum; return nil })
	differs := errors.New("")
	return q.each(func(at, n int64, sum string) error {
		if was, ok := sums[place{at, n}]; ok && was != sum {
			return differs
		}
		return nil
	}) == differs
}

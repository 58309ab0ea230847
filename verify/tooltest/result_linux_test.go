package tooltest

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"path/filepath"
	"testing"

	"fileassay/extract/unpack"
	"fileassay/verify"
	"fileassay/verify/result"
)

// listed is what our result says of one volume.
type listed struct {
	result.Volume
	files []result.File
}

// verified verifies an image of which every sector was read, and returns its
// NTFS volumes.
func verified(t testing.TB, image string) []listed {
	t.Helper()
	path := filepath.Join(t.TempDir(), "result.jsonl")
	if _, err := verify.Run(t.Context(), verify.Options{Image: image, AssumeRead: true, Result: path}); err != nil {
		t.Fatal(err)
	}
	r, err := result.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var out []listed
	at := map[int]int{} // volume number to index in out
	for _, v := range r.Volumes {
		if v.Filesystem == "ntfs" {
			at[v.Volume] = len(out)
			out = append(out, listed{Volume: v})
		}
	}
	for f, err := range r.Files() {
		if err != nil {
			t.Fatal(err)
		}
		if i, ok := at[f.Volume]; ok {
			out[i].files = append(out[i].files, *f)
		}
	}
	return out
}

// digest is the SHA-256 of a file's content as our extents place it in the
// image: what they leave out is zeros.
func digest(image io.ReaderAt, f *result.File) (string, error) {
	content := make([]byte, *f.Size)
	for _, list := range [][][3]int64{f.Extents, f.Patched} {
		for _, e := range list {
			if e[0] < 0 || e[2] <= 0 || e[0]+e[2] > int64(len(content)) {
				return "", fmt.Errorf("extent %v of a file of %d bytes", e, len(content))
			}
			if _, err := image.ReadAt(content[e[0]:e[0]+e[2]], e[1]); err != nil {
				return "", err
			}
		}
	}
	sum := sha256.Sum256(content)
	return hex.EncodeToString(sum[:]), nil
}

// digestUnits is digest for content that is kept in compression units: one
// with all its clusters is plain, one without any is zeros, any other LZNT1.
func digestUnits(image io.ReaderAt, f *result.File, unit int64) (string, error) {
	content := make([]byte, (*f.Size+unit-1)/unit*unit)
	for at := int64(0); at < *f.Size; at += unit {
		var stored []byte
		for _, e := range f.Extents {
			a, z := max(e[0], at), min(e[0]+e[2], at+unit)
			if a >= z {
				continue
			}
			b := make([]byte, z-a)
			if _, err := image.ReadAt(b, e[1]+a-e[0]); err != nil {
				return "", err
			}
			stored = append(stored, b...)
		}
		switch {
		case len(stored) == 0:
		case int64(len(stored)) == unit || at+int64(len(stored)) == *f.Size: // plain extents end with the content
			copy(content[at:], stored)
		default:
			if err := unpack.Unit(unpack.LZNT1, content[at:at+unit], stored); err != nil {
				return "", fmt.Errorf("unit at %d: %w", at, err)
			}
		}
	}
	sum := sha256.Sum256(content[:*f.Size])
	return hex.EncodeToString(sum[:]), nil
}

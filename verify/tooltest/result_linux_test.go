package tooltest

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"

	"fileassay/extract/ntfs"
	"fileassay/verify"
)

// listed is what our result says of one volume.
type listed struct {
	verify.VolumeRecord
	files []verify.FileRecord
}

// verified verifies an image of which every sector was read, and returns its
// NTFS volumes.
func verified(t testing.TB, image string) []listed {
	t.Helper()
	path := filepath.Join(t.TempDir(), "result.jsonl")
	if _, err := verify.Run(t.Context(), verify.Options{Image: image, AssumeRead: true, Result: path}); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var out []listed
	at := map[int]int{} // volume number to index in out
	lines := bufio.NewReader(f)
	for {
		line, err := lines.ReadBytes('\n')
		if err == io.EOF {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
		var l listed
		var file verify.FileRecord
		switch {
		case bytes.HasPrefix(line, []byte(`{"type":"volume"`)):
			if err := json.Unmarshal(line, &l.VolumeRecord); err != nil {
				t.Fatal(err)
			}
			if l.Filesystem == "ntfs" {
				at[l.Volume] = len(out)
				out = append(out, l)
			}
		case bytes.HasPrefix(line, []byte(`{"type":"file"`)):
			if err := json.Unmarshal(line, &file); err != nil {
				t.Fatal(err)
			}
			if i, ok := at[file.Volume]; ok {
				out[i].files = append(out[i].files, file)
			}
		}
	}
}

// digest is the SHA-256 of a file's content as our extents place it in the
// image: what they leave out is zeros.
func digest(image io.ReaderAt, f *verify.FileRecord) (string, error) {
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
func digestUnits(image io.ReaderAt, f *verify.FileRecord, unit int64) (string, error) {
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
			if _, err := ntfs.DecompressLZNT1(content[at:at+unit], stored); err != nil {
				return "", fmt.Errorf("unit at %d: %w", at, err)
			}
		}
	}
	sum := sha256.Sum256(content[:*f.Size])
	return hex.EncodeToString(sum[:]), nil
}

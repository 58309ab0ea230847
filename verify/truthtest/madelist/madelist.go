// Package madelist writes results of very many files, for tests and benchmarks
// of what is made from results.
package madelist

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"testing"

	"fileassay/verify/result"
	"fileassay/verify/result/resulttest"
)

// each is how many bytes of the drive a made file has for itself.
const each = 4096

// File is what a made result has of a file.
type File struct {
	ID      uint64
	Path    string
	Folder  bool
	Damaged bool // its last sector is unread
}

// Write writes a result of one volume with n entries, of which each file has 4 KiB
// of content at a place of its own, by its number in the list. The image that it
// was made from begins with 4 KiB of zeros, as one that is a hole throughout.
func Write(tb testing.TB, path string, n int, of func(i int) File) {
	tb.Helper()
	size := int64(n+1) * each
	zeros := sha256.Sum256(make([]byte, each))
	m := resulttest.Made{Image: result.Image{Size: size}, Volumes: []result.Volume{{Length: size, Filesystem: "ext4", Listing: result.Listing{Complete: true},
		Proof: &result.Proof{Ranges: fmt.Sprintf("0+%d", each), SHA256: hex.EncodeToString(zeros[:])[:16]}}}}
	m.Stream(tb, path, func(yield func(*result.File) bool) {
		for i := range n {
			if !yield(line(i, of(i))) {
				return
			}
		}
	})
}

// line is the line of a made file.
func line(i int, m File) *result.File {
	f := &result.File{Volume: 1, ID: m.ID, Path: m.Path, Kind: "file", Modified: "2019-04-02T09:12:44Z"}
	if m.Folder {
		f.Kind = "folder"
		return f
	}
	at := int64(i+1) * each
	f.Size, f.Extents = resulttest.Num(each), [][3]int64{{0, at, each}}
	if m.Damaged {
		f.Damage = []result.Damage{{Offset: each - 512, Image: at + each - 512, Length: 512, What: "failed"}}
	}
	return f
}

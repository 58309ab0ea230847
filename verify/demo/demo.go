// Package demo holds a small image of a damaged drive and its imaging map, in
// an invented scenario: the office computer of a bell foundry. The script that
// made them is testdata/demo/make.py.
package demo

import (
	_ "embed"
	"fileassay/verify/files"
	"io"
	"os"
	"path/filepath"

	"github.com/klauspost/compress/zstd"
)

//go:embed image.zst
var packed []byte

//go:embed map.csv
var imagingMap []byte

// Names of the files that Write makes.
const (
	ImageName  = "foundry.img"
	MapName    = "foundry.map.csv"
	ResultName = "foundry.result.jsonl"
)

// Image unpacks the demo's image.
func Image() ([]byte, error) {
	dec, err := zstd.NewReader(nil)
	if err != nil {
		return nil, err
	}
	defer dec.Close()
	return dec.DecodeAll(packed, nil)
}

// Map is the demo's imaging map.
func Map() []byte { return imagingMap }

// Write puts the image and its map into a folder, which it makes where there
// is none. Files of an earlier demo are replaced only with force. Errors are
// [*files.OutputError].
func Write(folder string, force bool) (image, imap string, err error) {
	data, err := Image()
	if err != nil {
		return "", "", err
	}
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return "", "", &files.OutputError{Path: folder, Err: err}
	}
	image, imap = filepath.Join(folder, ImageName), filepath.Join(folder, MapName)
	for _, f := range []struct {
		path string
		data []byte
	}{{image, data}, {imap, imagingMap}} {
		err := files.WriteFile(f.path, force, nil, func(w io.Writer) error {
			_, err := w.Write(f.data)
			return err
		})
		if err != nil {
			return "", "", err
		}
	}
	return image, imap, nil
}

// Package demo holds a small image of a damaged drive and its imaging map, in
// an invented scenario: the office computer of a bell foundry. The script that
// made them is testdata/demo/make.py.
package demo

import (
	_ "embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/klauspost/compress/zstd"

	"fileassay/verify"
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
// [*verify.OutputError].
func Write(folder string, force bool) (image, imap string, err error) {
	data, err := Image()
	if err != nil {
		return "", "", err
	}
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return "", "", &verify.OutputError{Path: folder, Err: err}
	}
	image, imap = filepath.Join(folder, ImageName), filepath.Join(folder, MapName)
	for _, f := range []struct {
		path string
		data []byte
	}{{image, data}, {imap, imagingMap}} {
		if err := write(f.path, f.data, force); err != nil {
			return "", "", &verify.OutputError{Path: f.path, Err: err}
		}
	}
	return image, imap, nil
}

// write makes a file whole or not at all.
func write(path string, data []byte, force bool) error {
	if _, err := os.Lstat(path); err == nil && !force {
		return verify.ErrExists
	} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	tmp, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*.partial")
	if err != nil {
		return err
	}
	_, err = tmp.Write(data)
	if err == nil {
		err = tmp.Chmod(0o644)
	}
	if err == nil {
		err = tmp.Sync()
	}
	if cerr := tmp.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = os.Rename(tmp.Name(), path)
	}
	if err != nil {
		os.Remove(tmp.Name())
		return fmt.Errorf("writing the demo: %w", err)
	}
	return nil
}

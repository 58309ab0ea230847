// Package demo holds a small image of a damaged drive and its imaging map, in
// an invented scenario: the office computer of a bell foundry. The script that
// made them is testdata/demo/make.py.
package demo

import (
	"context"
	_ "embed"
	"path/filepath"

	"github.com/klauspost/compress/zstd"

	"fileassay/verify/files"
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

// Write puts the image and its map into a folder, which it makes where there
// is none. Files of an earlier demo are replaced only with force. Where s is not
// nil they have their final names after [files.Set.Commit]. Errors are
// [*files.OutputError] or the context's.
func Write(ctx context.Context, s *files.Set, folder string, force bool) (image, imap string, err error) {
	dec, err := zstd.NewReader(nil)
	if err != nil {
		return "", "", err
	}
	defer dec.Close()
	data, err := dec.DecodeAll(packed, nil)
	if err != nil {
		return "", "", err
	}
	if err := files.MakeFolder(folder); err != nil {
		return "", "", err
	}
	image, imap = filepath.Join(folder, ImageName), filepath.Join(folder, MapName)
	err = files.Within(ctx, s, func(s *files.Set) error {
		for _, f := range []struct {
			path string
			data []byte
		}{{image, data}, {imap, imagingMap}} {
			err := s.WriteFile(ctx, f.path, force, func(o *files.Output) error {
				_, err := o.Write(f.data)
				return err
			})
			if err != nil {
				return err
			}
		}
		return nil
	})
	return image, imap, err
}

package delivery

import (
	"fileassay/verify/files"
	"fileassay/verify/result"
	"fileassay/verify/wanted"
)

// loadWanted reads a wanted list and returns how it weighs a file.
func loadWanted(path string) (func(*result.File) float64, error) {
	list, err := wanted.Load(path)
	if err != nil {
		return nil, &files.InputError{Err: err}
	}
	return func(f *result.File) float64 {
		e := wanted.Entry{Volume: f.Volume, Path: f.Path, Size: -1}
		if f.Size != nil {
			e.Size = *f.Size
		}
		e.Modified, _ = modifiedTime(f.Modified)
		return list.Weight(e)
	}, nil
}

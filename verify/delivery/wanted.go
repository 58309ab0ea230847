package delivery

import (
	"fileassay/verify"
	"fileassay/verify/wanted"
)

// loadWanted reads a wanted list and returns how it weighs a file.
func loadWanted(path string) (func(*verify.FileRecord) float64, error) {
	list, err := wanted.Load(path)
	if err != nil {
		return nil, &verify.InputError{Err: err}
	}
	return func(f *verify.FileRecord) float64 {
		e := wanted.Entry{Volume: f.Volume, Path: f.Path, Size: -1}
		if f.Size != nil {
			e.Size = *f.Size
		}
		e.Modified, _ = modifiedTime(f.Modified)
		return list.Weight(e)
	}, nil
}

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
	return func(f *result.File) float64 { return f.Weight(list) }, nil
}

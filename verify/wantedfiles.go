package verify

import (
	"fileassay/extract"
	"fileassay/verify/wanted"
)

// weightOf is what a wanted list gives a file.
func weightOf(l *wanted.List, volume int, f *extract.File) float64 {
	return l.Weight(wanted.Entry{Volume: volume, Path: f.Path, Size: f.Size, Modified: f.Modified})
}

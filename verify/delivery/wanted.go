package delivery

import (
	"errors"

	"fileassay/verify"
)

func loadWanted(path string) (func(*verify.FileRecord) float64, error) {
	return nil, errors.New("not yet")
}

package ext

import (
	"context"
	"fileassay/extract"
)

// Structures reports the health of the volume's own structures.
func (v *Volume) Structures(ctx context.Context) ([]extract.Structure, error) { return nil, nil }

package fat

import "context"

// rebuild finds the parameters of a volume without a boot sector.
func (v *Volume) rebuild(ctx context.Context) bool { return false }

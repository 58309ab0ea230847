package reread

import (
	"time"

	"fileassay/extract/imap"
)

// Costs say how long reading takes. The defaults are common practice and have
// no source: each drive fails in its own way, so they can all be set.
type Costs struct {
	Seek     time.Duration `json:"seek_ns"`     // for each range that is not near the one before
	Skipped  time.Duration `json:"skipped_ns"`  // for a sector that was never tried
	Failed   time.Duration `json:"failed_ns"`   // for a sector that was tried, and failed
	Doubtful time.Duration `json:"doubtful_ns"` // for a sector that came back unvouched for
	Gap      int64         `json:"gap"`         // sectors; ranges no further apart are read in one go
}

// DefaultCosts are those of a drive with weak heads; common practice, no source.
func DefaultCosts() Costs {
	return Costs{Seek: 20 * time.Millisecond, Skipped: 20 * time.Microsecond, Failed: time.Second, Doubtful: 50 * time.Millisecond, Gap: 1024}
}

// perSector is what a sector costs, in microseconds, as all costs of a
// problem are.
func (c *Costs) perSector(s imap.State) int64 {
	switch s {
	case imap.Failed:
		return c.Failed.Microseconds()
	case imap.Doubtful:
		return c.Doubtful.Microseconds()
	}
	return c.Skipped.Microseconds()
}

// pass is the time in which a gap of sectors goes by under the head.
func (c *Costs) pass(sectors int64) int64 { return capped(sectors, c.Skipped.Microseconds()) }

// MaxCost bounds each of the costs.
const MaxCost = time.Hour

// maxAtomCost bounds the cost of an atom (25 days), so that the costs of as many
// as there may be add up without overflow.
const maxAtomCost = 1 << 41

// capped is n times each, bounded.
func capped(n, each int64) int64 {
	if each > 0 && n > maxAtomCost/each {
		return maxAtomCost
	}
	return n * each
}

package reread_test

import (
	"testing"

	"fileassay/verify/reread"
	"fileassay/verify/result"
)

// The plan says after which step to verify again: where most of what leads to
// more is read.
func TestAgain(t *testing.T) {
	file := func() *result.File { return line(99, "one.odt", 512, x{0, 8192, 512}) }
	m := depot(append(failed("files", [2]int64{8192, 512}), failed("structures", [2]int64{65536, 512})...), file())
	m.Volumes = []result.Volume{{Length: 1 << 20, Filesystem: "ext4", Listing: result.Listing{UnreadRecords: 40}, Needs: [][2]int64{{65536, 512}}}}
	if p := plan(t, m.Open(t), reread.Options{}); p.Again != 1 || len(p.Steps) != 2 {
		t.Errorf("verify again after %d of %d steps; want 1 of 2", p.Again, len(p.Steps))
	}
	if p := plan(t, depot(most(), file()).Open(t), reread.Options{}); p.Again != 0 || len(p.Steps) != 1 {
		t.Errorf("no structure is read: verify again after %d of %d steps; want 0 of 1", p.Again, len(p.Steps))
	}
}

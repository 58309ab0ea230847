package reread_test

import (
	"testing"

	"fileassay/verify/reread"
)

// The plan says after which step to verify again: where most of what leads to
// more is read.
func TestAgain(t *testing.T) {
	volume := `,"listing":{"complete":false,"unread_records":40,"why":[]},"needs":[[65536,512]],"places":[{"holds":"structures","state":"failed","ranges":[[65536,512]]},{"holds":"files","state":"failed","ranges":[[8192,512]]}]`
	file := line(99, "one.odt", 512, 0, "[[0,8192,512]]", "")
	if p := plan(t, made(t, "", volume, file), reread.Options{}); p.Again != 1 || len(p.Steps) != 2 {
		t.Errorf("verify again after %d of %d steps; want 1 of 2", p.Again, len(p.Steps))
	}
	if p := plan(t, made(t, "", whole, file), reread.Options{}); p.Again != 0 || len(p.Steps) != 1 {
		t.Errorf("no structure is read: verify again after %d of %d steps; want 0 of 1", p.Again, len(p.Steps))
	}
}

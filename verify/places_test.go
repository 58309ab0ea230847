package verify

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/imap"
	"fileassay/verify/result"
)

// Unread ranges of structures are told under the names of those they lie in.
func TestStructureNames(t *testing.T) {
	named := []extract.Structure{
		{Name: "table", Image: 100, Length: 100},
		{Name: "inner", Image: 120, Length: 10},
		{Name: "copy", Image: 300, Length: 50},
	}
	var l located
	for _, r := range []imap.Range{{Start: 50, Length: 60, State: imap.Failed}, {Start: 150, Length: 200, State: imap.Failed},
		{Start: 340, Length: 20, State: imap.Skipped}} {
		l.structures(named, r)
	}
	want := []result.Holding{
		{Holds: "structures", Name: "", State: "failed", Ranges: [][2]int64{{50, 50}, {200, 100}}},
		{Holds: "structures", Name: "table", State: "failed", Ranges: [][2]int64{{100, 10}, {150, 50}}},
		{Holds: "structures", Name: "copy", State: "failed", Ranges: [][2]int64{{300, 50}}},
		{Holds: "structures", Name: "copy", State: "skipped", Ranges: [][2]int64{{340, 10}}},
		{Holds: "structures", Name: "", State: "skipped", Ranges: [][2]int64{{350, 10}}},
	}
	if d := cmp.Diff(want, l.list); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

package verify

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
	"fileassay/extract/imap"
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
	want := []Holding{
		{"structures", "", "failed", [][2]int64{{50, 50}, {200, 100}}},
		{"structures", "table", "failed", [][2]int64{{100, 10}, {150, 50}}},
		{"structures", "copy", "failed", [][2]int64{{300, 50}}},
		{"structures", "copy", "skipped", [][2]int64{{340, 10}}},
		{"structures", "", "skipped", [][2]int64{{350, 10}}},
	}
	if d := cmp.Diff(want, l.list); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

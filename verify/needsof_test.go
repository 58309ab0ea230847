package verify

import (
	"bytes"
	"testing"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/extract/ranges"
)

func TestNeedsOf(t *testing.T) {
	const sector = 4096
	m, err := imap.New([]imap.Range{{Start: 0, Length: 2 * sector, State: imap.Read}, {Start: 4 * sector, Length: sector, State: imap.Read},
		{Start: 6 * sector, Length: sector, State: imap.Failed}, {Start: 7 * sector, Length: sector, State: imap.Doubtful}})
	if err != nil {
		t.Fatal(err)
	}
	r := image.New(bytes.NewReader(make([]byte, 10*sector)), 10*sector, m, image.Options{Sector: sector})
	for _, tt := range []struct {
		name string
		list []ranges.Range
		want [][2]int64
	}{
		{"none", nil, nil},
		{"all read", []ranges.Range{{Start: 100, End: 2 * sector}, {Start: 4 * sector, End: 5 * sector}}, nil},
		{"the unread part alone", []ranges.Range{{Start: sector, End: 2*sector + 1}}, [][2]int64{{2 * sector, sector}}},
		{"a sector that two share", []ranges.Range{{Start: 2*sector + 1024, End: 2*sector + 2048}, {Start: 2 * sector, End: 2*sector + 512}}, [][2]int64{{2 * sector, sector}}},
		{"around what was read", []ranges.Range{{Start: 3 * sector, End: 6 * sector}}, [][2]int64{{3 * sector, sector}, {5 * sector, sector}}},
		{"whatever the state", []ranges.Range{{Start: 7 * sector, End: 9 * sector}, {Start: 6 * sector, End: 7 * sector}}, [][2]int64{{6 * sector, 3 * sector}}},
		{"what the drive has not", []ranges.Range{{Start: -sector, End: 10}, {Start: 9*sector + 1, End: 1 << 62}, {Start: 11 * sector, End: 12 * sector}, {Start: 5, End: 5}},
			[][2]int64{{9 * sector, sector}}},
	} {
		if d := cmp.Diff(tt.want, needsOf(r, tt.list)); d != "" {
			t.Errorf("%s (-want +got):\n%s", tt.name, d)
		}
	}
}

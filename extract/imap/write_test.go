package imap

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestWrite(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	for range 100 {
		m := randomMap(t, rnd)
		var b strings.Builder
		if err := m.Write(&b, "two\nlines", "and one"); err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(b.String(), "# two\n# lines\n# and one\nstart,length,state\n") {
			t.Fatalf("%q", &b)
		}
		again, err := Parse(strings.NewReader(b.String()), "a.map", 0)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(slices.Collect(m.Ranges()), slices.Collect(again.Ranges())); diff != "" {
			t.Fatal(diff)
		}
	}
}

func TestFormat(t *testing.T) {
	m, err := New([]Range{{0, 1024, Read}, {2048, 512, Failed}})
	if err != nil {
		t.Fatal(err)
	}
	const text = `{{define "first"}}{{.Size}} bytes, {{.Ranges}} ranges, {{.Bytes.failed}} failed{{end}}{{define "last"}}end{{end}}` +
		`{{if ne .State.String "skipped"}}{{.Number}} {{div .Start 512}}-{{div .Last 512}} {{printf "0x%x" .End}} {{.Length}} {{.State}}{{end}}`
	tpl, err := ParseTemplate(text)
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	if err := m.Format(&b, tpl, 4096); err != nil {
		t.Fatal(err)
	}
	want := "4096 bytes, 4 ranges, 512 failed\n1 0-1 0x400 1024 read\n3 4-4 0xa00 512 failed\nend\n"
	if diff := cmp.Diff(want, b.String()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	for _, bad := range []string{"{{.Nothing}}", "{{div .Start 0}}"} {
		if tpl, err = ParseTemplate(bad); err != nil {
			t.Fatal(err)
		}
		if err := m.Format(&b, tpl, 4096); err == nil {
			t.Errorf("%s gave no error", bad)
		}
	}
}

func TestSurvey(t *testing.T) {
	m, err := New([]Range{{0, 300, Read}, {300, 10, Failed}, {310, 20, Doubtful}, {400, 100, Read}, {700, 4, Failed}, {704, 296, Read}})
	if err != nil {
		t.Fatal(err)
	}
	s := m.Survey(1000)
	if diff := cmp.Diff(map[string]int64{"read": 696, "doubtful": 20, "failed": 14, "skipped": 270}, s.Bytes); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff(Lengths{Ranges: 3, Bytes: 696, Longest: 300, Median: 296}, s.States["read"]); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff(Lengths{Ranges: 2, Bytes: 304, Longest: 204, Median: 100}, s.Unread); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff(map[string]int64{"read": 0, "doubtful": 20, "failed": 10, "skipped": 70}, s.Tenths[3]); diff != "" {
		t.Error(diff)
	}
	var sum int64
	for _, tenth := range s.Tenths {
		for _, n := range tenth {
			sum += n
		}
	}
	if sum != 1000 || s.Usual != nil {
		t.Errorf("tenths hold %d bytes, usual %v", sum, s.Usual)
	}
	if s := (&Map{}).Survey(0); s.Unread.Ranges != 0 {
		t.Errorf("nothing: %v", s)
	}
}

func TestNth(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 4))
	for range 300 {
		list := make([]int64, 1+rnd.IntN(50))
		for i := range list {
			list[i] = int64(rnd.IntN(20))
		}
		sorted := slices.Sorted(slices.Values(list))
		n := rnd.IntN(len(list))
		if got := nth(list, n); got != sorted[n] {
			t.Fatalf("nth %d is %d, want %d of %v", n, got, sorted[n], sorted)
		}
	}
}

// IDEMA LBA1-03 (formula from memory). The counts below are those that drives
// of these labels report (common practice, no source): 1,953,525,168 sectors
// for 1 TB, 976,773,168 for 500 GB, 3,907,029,168 for 2 TB.
func TestUsualCapacity(t *testing.T) {
	tests := []struct {
		size int64
		want Capacity
		ok   bool
	}{
		{976_773_168 * 512, Capacity{500, 512}, true},
		{1_953_525_168 * 512, Capacity{1000, 512}, true},
		{3_907_029_168 * 512, Capacity{2000, 512}, true},
		{7_814_037_168 * 512, Capacity{4000, 512}, true},
		{976_754_646 * 4096, Capacity{4000, 512}, true}, // the same number of bytes
		{1_953_525_168*512 - 512, Capacity{}, false},
		{1_953_525_168*512 + 1, Capacity{}, false},
		{97_696_368 * 512, Capacity{50, 512}, true},
		{97_696_368*512 - 1_953_504*512, Capacity{}, false},
		{1 << 40, Capacity{}, false},
		{0, Capacity{}, false},
		{-512, Capacity{}, false},
	}
	for _, test := range tests {
		if got, ok := UsualCapacity(test.size); got != test.want || ok != test.ok {
			t.Errorf("UsualCapacity(%d) = %v, %v; want %v, %v", test.size, got, ok, test.want, test.ok)
		}
	}
}

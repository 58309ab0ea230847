package fat

import (
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestSet(t *testing.T) {
	var s, again set
	if s.has(5) || !s.add(5) || s.add(5) || !s.has(5) {
		t.Error("one cluster is not kept as a set would")
	}
	s.addRun(60, 200, &again)
	s.addRun(1<<20, 3, &again)
	if n := len(slices.Collect(again.all())); n != 0 {
		t.Errorf("%d clusters twice, want none", n)
	}
	s.addRun(259, 70000, &again)
	if got, want := slices.Collect(again.all()), []uint32{259}; !cmp.Equal(got, want) {
		t.Errorf("twice: %s", cmp.Diff(want, got))
	}
	if got, want := len(slices.Collect(s.all())), (1 + 200 + 3 + 69999); got != want {
		t.Errorf("%d clusters, want %d", got, want)
	}
	for _, c := range []struct {
		first uint32
		n     int64
		want  uint32
		ok    bool
	}{
		{0, 5, 0, false}, {0, 6, 5, true}, {6, 54, 0, false}, {6, 1 << 21, 60, true},
		{259 + 70000, 1 << 21, 1 << 20, true}, {1<<20 + 3, 1 << 30, 0, false},
	} {
		if got, ok := s.firstIn(c.first, c.n); got != c.want && ok || ok != c.ok {
			t.Errorf("first of %d clusters from %d: %d %v, want %d %v", c.n, c.first, got, ok, c.want, c.ok)
		}
	}
}

func TestTime(t *testing.T) {
	for _, c := range []struct {
		date, clock uint16
		hundredths  uint8
		want        string
	}{
		// FAT: General Overview 1.03, "Date and Time Formats": day 1-31, month
		// 1-12, years from 1980; 2-second count 0-29
		{0x0021, 0, 0, "1980-01-01T00:00:00Z"},
		{0xFF9F, 0xBF7D, 0, "2107-12-31T23:59:58Z"},
		{0x4E82, 0x4988, 150, "2019-04-02T09:12:17.5Z"},
		{0, 0, 0, "0001-01-01T00:00:00Z"},
		{0x4E82, 0xFFFF, 0, "0001-01-01T00:00:00Z"},
		{0x4E5F, 0, 0, "0001-01-01T00:00:00Z"}, // 31 February
	} {
		if got := dosTime(c.date, c.clock, c.hundredths).Format("2006-01-02T15:04:05.999Z07:00"); got != c.want {
			t.Errorf("date %#x clock %#x: %s, want %s", c.date, c.clock, got, c.want)
		}
	}
}

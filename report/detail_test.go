package report

import (
	"slices"
	"strings"
	"testing"

	"fileassay/extract/imap"
	"fileassay/verify/result"
	"fileassay/verify/result/resulttest"
)

// What must be read again for compressed content is what is unread of its
// stored bytes, not the whole units that its damage tells of.
func TestPackedUnread(t *testing.T) {
	packed := func(at int64) *result.File {
		f := file("Organ/registers.txt", 180000, result.Damage{Offset: 65536, Image: at, Length: 65536, What: "failed"})
		f.Stored = "compressed"
		f.Extents = [][3]int64{{0, 40960, 24576}, {65536, 65536, 20480}, {86016, 20480, 4096}}
		return f
	}
	failed := func(holds string, ranges ...[2]int64) []result.Place {
		return resulttest.Unread(imap.Failed, holds, ranges...)
	}
	for name, c := range map[string]struct {
		places  []result.Place
		at      int64 // where the first that is its own begins
		sectors int64
	}{
		"one sector": {failed("files", [2]int64{70144, 512}), 70144, 1},
		"two places, and what is not of it": {slices.Concat(failed("files", [2]int64{20480, 1024}), resulttest.Unread(imap.Skipped, "free", [2]int64{24576, 4096}),
			failed("files", [2]int64{70144, 512}), resulttest.Unread(imap.Skipped, "free", [2]int64{200704, 4096})), 70144, 3},
		"a range past its end":  {failed("files", [2]int64{85504, 4096}), 85504, 1},
		"one range, two things": {append(failed("files", [2]int64{70144, 512}), failed("structures", [2]int64{70656, 512})...), 70144, 2},
	} {
		m := bellowsOf(packed(c.at))
		m.Places, m.Image.Profile, m.Image.Heads = c.places, nil, nil
		inv := inventory(t, m.Open(t), true)
		if len(inv.value) != 1 || inv.value[0].sectors != c.sectors {
			t.Errorf("%s: %+v, want %d sectors", name, inv.value, c.sectors)
		}
	}
	if got, want := detailOf(packed(70144), 512), "failed: compressed, from sector 137 on, bytes 65536 to 131071 of the file"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

func TestRangeText(t *testing.T) {
	for want, c := range map[string]struct {
		d      result.Damage
		sector int64
	}{
		"failed: sector 4, bytes 0 to 511 of the file":             {result.Damage{Image: 2048, Length: 512, What: "failed"}, 512},
		"failed: sector 4, byte 512 of the file":                   {result.Damage{Offset: 512, Image: 2048, Length: 1, What: "failed"}, 512},
		"skipped: sectors 1 to 2 (2), bytes 7 to 4199 of the file": {result.Damage{Offset: 7, Image: 4103, Length: 4193, What: "skipped"}, 4096},
		"doubtful: sector 1, bytes 0 to 511 of the file":           {result.Damage{Image: 7680, Length: 512, What: "doubtful"}, 4096},
		"unlocated: bytes 512 to 1023 of the file, place unknown":  {result.Damage{Offset: 512, Image: -1, Length: 512, What: "unlocated"}, 512},
	} {
		if got := rangeText(&result.File{}, c.d, c.sector); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// What is left out is counted in the singular too.
func TestDetailCut(t *testing.T) {
	f := &result.File{Why: []string{strings.Repeat("x", maxDetail+1), "one"}}
	if got := detailOf(f, 512); !strings.HasSuffix(got, "\nand 1 more reason in the result") {
		t.Errorf("%q", got[max(0, len(got)-60):])
	}
}

package result_test

import (
	"bytes"
	"testing"

	"fileassay/extract/imap"
	"fileassay/verify/result"
	"fileassay/verify/result/resulttest"
)

// packedFiles is a result of a file in units that is intact, and of one with a unit
// that was not read.
func packedFiles() *resulttest.Made {
	num := resulttest.Num
	units := func(runs ...[]int64) result.Packing {
		return result.Packing{Method: "lznt1", Unit: 65536, Units: runs}
	}
	m := &resulttest.Made{
		Image:  result.Image{Size: 1 << 20},
		Places: resulttest.Unread(imap.Failed, "files", [2]int64{300032, 512}),
		Files: []*result.File{
			{ID: 1, Path: "whole", Size: num(140000), Stored: "compressed", Verdict: result.Intact, Packing: units([]int64{0, 24576}, []int64{131072, 4096}),
				Extents: [][3]int64{{0, 40960, 24576}, {65536, 100352, 65536}, {131072, 200704, 4096}}},
			{ID: 2, Path: "hurt", Size: num(70000), Stored: "compressed", Verdict: result.Damaged, Packing: units([]int64{0, 8192, 4096}),
				Extents: [][3]int64{{0, 290816, 8192}, {65536, 299008, 4096}},
				Bytes:   result.NullBytes{Read: num(65536), Doubtful: num(0), Failed: num(4464), Skipped: num(0), Unlocated: num(0)},
				Damage:  []result.Damage{{Offset: 65536, Image: 300032, Length: 4464, What: "failed"}}},
		},
	}
	m.Fill()
	return m
}

// Content in units lies in its file once, as much of it as its units have, and is
// damaged in the units that were not read.
func TestOpenUnits(t *testing.T) {
	if _, err := result.Read(packedFiles().Text(t)); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		edit func(whole, hurt *result.File)
	}{
		{"a second place for a part", func(w, h *result.File) { w.Extents = append(w.Extents, [3]int64{512, 41472, 512}) }},
		{"a second place for a unit", func(w, h *result.File) { w.Extents = append(w.Extents, [3]int64{0, 800000, 24576}) }},
		{"another place before", func(w, h *result.File) { w.Extents = append([][3]int64{{0, 800000, 24576}}, w.Extents...) }},
		{"twice", func(w, h *result.File) { w.Extents = append(w.Extents, w.Extents...) }},
		{"an extent far off", func(w, h *result.File) { w.Extents[2][0] = 1 << 61 }},
		{"an extent with more bytes than its unit", func(w, h *result.File) { w.Extents[0][2] += 512 }},
		{"an extent of another unit", func(w, h *result.File) { w.Packing.Units[1][0] = 65536 }},
		{"a unit before the file", func(w, h *result.File) { w.Packing.Units[0][0] = -1 }},
		{"another size of units", func(w, h *result.File) { w.Packing.Unit *= 2 }},
		{"units in another order", func(w, h *result.File) {
			w.Packing.Units[0], w.Packing.Units[1] = w.Packing.Units[1], w.Packing.Units[0]
		}},
		{"valid below zero", func(w, h *result.File) { w.Packing.Valid = -5 }},
		{"valid past the end", func(w, h *result.File) { w.Packing.Valid = 140001 }},
		{"damage of another unit", func(w, h *result.File) {
			h.Damage[0].Offset = 0
		}},
		{"damage elsewhere on the drive", func(w, h *result.File) { h.Damage[0].Image = 1 << 61 }},
		{"an extent past the drive", func(w, h *result.File) { h.Extents[0][2] = 1 << 61 }},
		{"an extent twice in the damaged one", func(w, h *result.File) { h.Extents = append(h.Extents, h.Extents[0]) }},
	} {
		m := packedFiles()
		c.edit(m.Files[0], m.Files[1])
		text := m.Text(t)
		if bytes.Equal(text, packedFiles().Text(t)) {
			t.Errorf("%s: nothing was changed", c.name)
		}
		if _, err := result.Read(text); err == nil {
			t.Errorf("%s: it is taken", c.name)
		}
	}
}

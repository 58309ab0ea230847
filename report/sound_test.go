package report

import (
	"bytes"
	"errors"
	"math"
	"strings"
	"testing"

	"fileassay/verify/files"
	"fileassay/verify/result"
	"fileassay/verify/wanted"
)

// Every form of a report refuses a result whose numbers no drive has, and
// whose files' bytes by state are not their size.
func TestUnsoundResult(t *testing.T) {
	const huge = math.MaxInt64
	for name, change := range map[string]func(im *result.Image, v *result.Volume, f *result.File, s *result.Summary){
		"no sector": func(im *result.Image, _ *result.Volume, _ *result.File, _ *result.Summary) {
			im.Sector = -1
		},
		"map": func(im *result.Image, _ *result.Volume, _ *result.File, _ *result.Summary) {
			im.Map.Failed = -1
		},
		"map wraps": func(im *result.Image, _ *result.Volume, _ *result.File, _ *result.Summary) {
			im.Map.Failed = huge
		},
		"head": func(im *result.Image, _ *result.Volume, _ *result.File, _ *result.Summary) {
			im.Heads.Heads[0].Read = huge
		},
		"volume": func(_ *result.Image, v *result.Volume, _ *result.File, _ *result.Summary) {
			v.Start = huge
		},
		"listing": func(_ *result.Image, v *result.Volume, _ *result.File, _ *result.Summary) {
			v.Listing.UnreadRecords = -5
		},
		"summary": func(_ *result.Image, _ *result.Volume, _ *result.File, s *result.Summary) {
			s.Sizes.Lost = -1
		},
		"unread": func(_ *result.Image, _ *result.Volume, _ *result.File, s *result.Summary) {
			s.Unread.Free.Skipped = huge
		},
		"file's size": func(_ *result.Image, _ *result.Volume, f *result.File, _ *result.Summary) {
			f.Size = num(-1)
		},
		"file's bytes": func(_ *result.Image, _ *result.Volume, f *result.File, _ *result.Summary) {
			f.Bytes.Skipped = num(-1)
		},
		"more than all": func(_ *result.Image, _ *result.Volume, f *result.File, _ *result.Summary) {
			f.Bytes.Skipped = num(1)
		},
		"sum that wraps": func(_ *result.Image, _ *result.Volume, f *result.File, _ *result.Summary) {
			f.Bytes.Read, f.Bytes.Failed, f.Bytes.Skipped = num(huge), num(huge), num(5002)
		},
		"less than all": func(_ *result.Image, _ *result.Volume, f *result.File, _ *result.Summary) {
			f.Bytes.Read = num(4999)
		},
		"damage that ends": func(_ *result.Image, _ *result.Volume, f *result.File, _ *result.Summary) {
			f.Damage = []result.Damage{{Offset: huge, Image: 0, Length: 2, What: "failed"}}
		},
		"needs": func(_ *result.Image, _ *result.Volume, f *result.File, _ *result.Summary) {
			f.Needs = [][2]int64{{huge, 512}}
		},
	} {
		im, vols, list, sum := bellows()
		change(&im, &vols[0], list[2], &sum)
		r := writeResult(t, im, vols, list, sum)
		var b bytes.Buffer
		_, err := NewInventory(r, wanted.Default(), true)
		for form, err := range map[string]error{"page": err, "CSV": CSV(&b, r, Bench), "spreadsheet": XLSX(&b, r, Options{For: Customer})} {
			if in := (*files.InputError)(nil); !errors.As(err, &in) || !strings.Contains(err.Error(), "make it again with verify") {
				t.Errorf("%s: %s: error %v", name, form, err)
			}
		}
	}
	if err := Check(bellowsResult(t)); err != nil {
		t.Error(err)
	}
}

// Sizes that damaged metadata claims add up to no number below zero.
func TestHugeSizes(t *testing.T) {
	im, vols, _, sum := bellows()
	var files []*result.File
	for _, name := range []string{"a.mp4", "b.mp4", "c.mp4"} {
		f := file("Swell/"+name, math.MaxInt64, result.Damage{Image: -1, Length: math.MaxInt64, What: "unlocated"})
		f.Bytes = result.NullBytes{Read: num(0), Doubtful: num(0), Failed: num(0), Skipped: num(0), Unlocated: num(math.MaxInt64)}
		f.Verdict = result.Lost
		files = append(files, f)
	}
	sum.Files, sum.Sizes = result.VerdictCount{Lost: 3}, result.VerdictCount{Lost: math.MaxInt64}
	r := writeResult(t, im, vols[:1], files, sum)
	inv := inventory(t, r, true)
	for i := range inv.folders {
		if got := inv.folders[i].totals.sizes; got.Lost != math.MaxInt64 {
			t.Errorf("folder %d holds %v", i, got)
		}
	}
	var b bytes.Buffer
	if err := HTML(&b, r, inv, Options{For: Bench}); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{">-", "NaN", "Inf"} {
		if i := strings.Index(b.String(), "<main>"); strings.Contains(b.String()[i:strings.Index(b.String(), `<div id="columns"`)], bad) {
			t.Errorf("the page has %q", bad)
		}
	}
}

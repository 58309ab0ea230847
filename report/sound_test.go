package report

import (
	"bytes"
	"errors"
	"math"
	"strings"
	"testing"

	"fileassay/verify"
	"fileassay/verify/wanted"
)

// Every form of a report refuses a result whose numbers no drive has, and
// whose files' bytes by state are not their size.
func TestUnsoundResult(t *testing.T) {
	const huge = math.MaxInt64
	for name, change := range map[string]func(im *verify.ImageRecord, v *verify.VolumeRecord, f *verify.FileRecord, s *verify.SummaryRecord){
		"no sector": func(im *verify.ImageRecord, _ *verify.VolumeRecord, _ *verify.FileRecord, _ *verify.SummaryRecord) {
			im.Sector = -1
		},
		"map": func(im *verify.ImageRecord, _ *verify.VolumeRecord, _ *verify.FileRecord, _ *verify.SummaryRecord) {
			im.Map.Failed = -1
		},
		"map wraps": func(im *verify.ImageRecord, _ *verify.VolumeRecord, _ *verify.FileRecord, _ *verify.SummaryRecord) {
			im.Map.Failed = huge
		},
		"head": func(im *verify.ImageRecord, _ *verify.VolumeRecord, _ *verify.FileRecord, _ *verify.SummaryRecord) {
			im.Heads.Heads[0].Read = huge
		},
		"volume": func(_ *verify.ImageRecord, v *verify.VolumeRecord, _ *verify.FileRecord, _ *verify.SummaryRecord) {
			v.Start = huge
		},
		"listing": func(_ *verify.ImageRecord, v *verify.VolumeRecord, _ *verify.FileRecord, _ *verify.SummaryRecord) {
			v.Listing.UnreadRecords = -5
		},
		"summary": func(_ *verify.ImageRecord, _ *verify.VolumeRecord, _ *verify.FileRecord, s *verify.SummaryRecord) {
			s.Sizes.Lost = -1
		},
		"unread": func(_ *verify.ImageRecord, _ *verify.VolumeRecord, _ *verify.FileRecord, s *verify.SummaryRecord) {
			s.Unread.Free.Skipped = huge
		},
		"file's size": func(_ *verify.ImageRecord, _ *verify.VolumeRecord, f *verify.FileRecord, _ *verify.SummaryRecord) {
			f.Size = num(-1)
		},
		"file's bytes": func(_ *verify.ImageRecord, _ *verify.VolumeRecord, f *verify.FileRecord, _ *verify.SummaryRecord) {
			f.Bytes.Skipped = num(-1)
		},
		"more than all": func(_ *verify.ImageRecord, _ *verify.VolumeRecord, f *verify.FileRecord, _ *verify.SummaryRecord) {
			f.Bytes.Skipped = num(1)
		},
		"sum that wraps": func(_ *verify.ImageRecord, _ *verify.VolumeRecord, f *verify.FileRecord, _ *verify.SummaryRecord) {
			f.Bytes.Read, f.Bytes.Failed, f.Bytes.Skipped = num(huge), num(huge), num(5002)
		},
		"less than all": func(_ *verify.ImageRecord, _ *verify.VolumeRecord, f *verify.FileRecord, _ *verify.SummaryRecord) {
			f.Bytes.Read = num(4999)
		},
		"damage that ends": func(_ *verify.ImageRecord, _ *verify.VolumeRecord, f *verify.FileRecord, _ *verify.SummaryRecord) {
			f.Damage = []verify.Damage{{Offset: huge, Image: 0, Length: 2, What: "failed"}}
		},
		"needs": func(_ *verify.ImageRecord, _ *verify.VolumeRecord, f *verify.FileRecord, _ *verify.SummaryRecord) {
			f.Needs = [][2]int64{{huge, 512}}
		},
	} {
		im, vols, files, sum := bellows()
		change(&im, &vols[0], files[2], &sum)
		r := writeResult(t, im, vols, files, sum)
		var b bytes.Buffer
		_, err := NewInventory(r, wanted.Default(), true)
		for form, err := range map[string]error{"page": err, "CSV": CSV(&b, r, Bench), "spreadsheet": XLSX(&b, r, Options{For: Customer})} {
			if in := (*verify.InputError)(nil); !errors.As(err, &in) || !strings.Contains(err.Error(), "make it again with verify") {
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
	var files []*verify.FileRecord
	for _, name := range []string{"a.mp4", "b.mp4", "c.mp4"} {
		f := file("Swell/"+name, math.MaxInt64, verify.Damage{Image: -1, Length: math.MaxInt64, What: "unlocated"})
		f.Bytes = verify.NullBytes{Read: num(0), Doubtful: num(0), Failed: num(0), Skipped: num(0), Unlocated: num(math.MaxInt64)}
		f.Verdict = verify.Lost
		files = append(files, f)
	}
	sum.Files, sum.Sizes = verify.VerdictCount{Lost: 3}, verify.VerdictCount{Lost: math.MaxInt64}
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

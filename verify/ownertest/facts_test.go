package ownertest

import (
	"slices"
	"testing"

	"fileassay/extract/imap"
	"fileassay/verify/result"
	"fileassay/verify/truthtest"
)

// planted is a drive with a former and a present volume in one place, and a
// result that says what is true of it.
func planted() *Seen {
	const at = 1 * MiB
	now := Volume{Start: at, Length: MiB, Kind: "fat16", Label: "NOW", Cluster: 512}
	was := Volume{Start: at, Length: MiB, Kind: "ntfs", Label: "WAS", Cluster: 4096}
	d := &Disk{Name: "planted", Image: make([]byte, 3*MiB), Truth: Truth{Size: 3 * MiB}}
	put := func(v *Volume, place int64) result.File {
		c := Content(v.Label, 0, 2000)
		copy(d.Image[place:], c)
		v.Files = append(v.Files, File{"A.DAT", 2000, digest(c)})
		size := int64(2000)
		return result.File{Volume: 1, ID: 5, Path: "A.DAT", Kind: "file", Size: &size, Verdict: result.Intact, Extents: [][3]int64{{0, place, 2000}}}
	}
	file := put(&now, at+8192)
	put(&was, at+65536)
	d.Volumes, d.Former = []Volume{now}, []Volume{was}
	r := &truthtest.Result{Files: []result.File{file}}
	r.Volumes = []result.Volume{{Volume: 1, Start: at, Length: MiB, Filesystem: "fat16", Label: "NOW", Cluster: 512, Listing: result.Listing{Complete: true}}}
	r.Summary.ListingComplete = true
	return &Seen{Drive: d, Whole: d.Image, Result: r}
}

// TestFacts sees each fact fail where it does not hold, and all hold where they
// do.
func TestFacts(t *testing.T) {
	former := func(s *Seen) {
		s.Result.Volumes[0] = result.Volume{Volume: 1, Start: 1 * MiB, Length: MiB, Filesystem: "ntfs", Label: "WAS", Cluster: 4096}
		s.Result.Files[0].Extents[0][1] = 1*MiB + 65536
		s.Result.Summary.ListingComplete = false
	}
	for _, tt := range []struct {
		name string
		edit func(s *Seen)
		want []string
	}{
		{"true", func(*Seen) {}, nil},
		{"other content", func(s *Seen) { s.Drive.Image[1*MiB+8192]++ }, []string{FalseIntact}},
		{"damaged", func(s *Seen) { s.Drive.Image[1*MiB+8192]++; s.Result.Files[0].Verdict = result.Damaged }, nil},
		{"another path", func(s *Seen) { s.Result.Files[0].Path = "B.DAT" }, []string{FalseIntact, Complete}},
		{"no path", func(s *Seen) { s.Result.Files[0].Path = "?/5/A.DAT" }, nil},
		{"not listed", func(s *Seen) { s.Result.Files = nil }, []string{Complete}},
		{"not listed, and said", func(s *Seen) {
			s.Result.Files, s.Result.Summary.ListingComplete, s.Result.Volumes[0].Listing.Complete = nil, false, false
		}, nil},
		{"the former", former, []string{FormerKept, Missed}},
		{"the former, named", func(s *Seen) {
			former(s)
			s.Result.Files[0].Verdict = result.Damaged
			s.Result.Volumes[0].Listing.Why = []string{"a FAT16 volume at offset 1048576 was not opened"}
		}, nil},
		{"the former, another offset", func(s *Seen) {
			former(s)
			s.Result.Files[0].Verdict = result.Damaged
			s.Result.Volumes[0].Listing.Why = []string{"a FAT16 volume at offset 10485760 was not opened"}
		}, []string{Missed}},
		{"the former, complete", func(s *Seen) {
			former(s)
			s.Result.Files[0].Verdict = result.Damaged
			s.Result.Volumes[0].Listing.Complete = true
		}, []string{Complete, Missed}},
		{"no volume", func(s *Seen) {
			s.Result.Volumes, s.Result.Files, s.Result.Summary.ListingComplete = nil, nil, false
		}, []string{Missed}},
		{"empty", func(s *Seen) { s.Result.Volumes[0].Filesystem, s.Result.Files = "empty", nil }, []string{Complete}},
		{"twice", func(s *Seen) { s.Result.Files = append(s.Result.Files, s.Result.Files[0]) }, []string{Twice}},
		{"two volumes of one start", func(s *Seen) {
			s.Result.Volumes = append(s.Result.Volumes, s.Result.Volumes[0])
			s.Result.Volumes[1].Volume = 2
		}, []string{Twice}},
		{"an unread byte that is not counted", func(s *Seen) { s.Unread = []imap.Range{{Start: 0, Length: Sector, State: imap.Failed}} }, []string{Unread}},
	} {
		s := planted()
		tt.edit(s)
		var got []string
		for _, f := range s.Faults() {
			if !slices.Contains(got, f.Class) {
				got = append(got, f.Class)
			}
		}
		if !slices.Equal(got, tt.want) {
			t.Errorf("%s: %q, want %q: %v", tt.name, got, tt.want, s.Faults())
		}
	}
}

package verify

import (
	"slices"

	"fileassay/extract/heads"
	"fileassay/extract/image"
	"fileassay/extract/imap"
	"fileassay/verify/result"
)

// Slices that a drive is cut into, at most: of the whole drive, and where the
// bytes of one head are told.
const (
	driveSlices = 2048
	headSlices  = 512
)

// sliceLength is the length of a slice, in whole sectors, that cuts a drive
// into at most n.
func sliceLength(r *image.Reader, n int64) int64 {
	sector := r.Sector()
	return max((r.DriveSize()/n+sector)/sector*sector, sector)
}

// driveProfile is the profile of the whole drive.
func driveProfile(r *image.Reader) *result.Profile {
	p := &result.Profile{Slice: sliceLength(r, driveSlices), Slices: [][5]int64{}}
	addRange(p, r, 0, r.DriveSize())
	p.Slices = slices.DeleteFunc(p.Slices, func(s [5]int64) bool { return s[2]+s[3]+s[4] == 0 })
	return p
}

// headProfiles are the profiles of the bytes that each head serves, by head.
// They list every slice that a head has bytes in.
func headProfiles(h *heads.File, r *image.Reader) map[int]*result.Profile {
	out := map[int]*result.Profile{}
	for rg := range h.Ranges() {
		if out[rg.Head] == nil {
			out[rg.Head] = &result.Profile{Slice: sliceLength(r, headSlices)}
		}
		addRange(out[rg.Head], r, rg.Start, min(rg.End(), r.DriveSize()))
	}
	return out
}

// addRange counts the bytes from at to end, behind those that were counted.
func addRange(p *result.Profile, r *image.Reader, at, end int64) {
	for at < end {
		i := at / p.Slice
		n := min((i+1)*p.Slice, end) - at
		t := r.TallyOf(at, n)
		if len(p.Slices) == 0 || p.Slices[len(p.Slices)-1][0] != i {
			p.Slices = append(p.Slices, [5]int64{i})
		}
		s := &p.Slices[len(p.Slices)-1]
		s[1] += t[imap.Read]
		s[2] += t[imap.Doubtful]
		s[3] += t[imap.Failed]
		s[4] += t[imap.Skipped]
		at += n
	}
}

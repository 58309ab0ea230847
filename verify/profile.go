package verify

import (
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
	for i := int64(0); i*p.Slice < r.DriveSize(); i++ {
		n := min(p.Slice, r.DriveSize()-i*p.Slice)
		if t := r.TallyOf(i*p.Slice, n); t[imap.Read] < n {
			p.Slices = append(p.Slices, [5]int64{i, t[imap.Read], t[imap.Doubtful], t[imap.Failed], t[imap.Skipped]})
		}
	}
	return p
}

// headProfiles are the profiles of the bytes that each head serves, by head.
// They list every slice that a head has bytes in.
func headProfiles(h *heads.File, r *image.Reader) map[int]*result.Profile {
	out := map[int]*result.Profile{}
	slice := sliceLength(r, headSlices)
	for rg := range h.Ranges() {
		p := out[rg.Head]
		if p == nil {
			p = &result.Profile{Slice: slice}
			out[rg.Head] = p
		}
		for at := rg.Start; at < min(rg.End(), r.DriveSize()); {
			i := at / slice
			n := min((i+1)*slice, rg.End(), r.DriveSize()) - at
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
	return out
}

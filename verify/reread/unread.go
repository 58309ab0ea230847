package reread

import (
	"cmp"
	"slices"
	"sort"

	"fileassay/extract/imap"
	"fileassay/verify"
)

// stretch is a run of unread bytes in one state, of whole sectors.
type stretch struct {
	start, end int64
	state      imap.State
}

// unreadMap is all that a result calls unread, in order.
type unreadMap []stretch

// newUnreadMap collects what a result calls unread.
func newUnreadMap(r *verify.Result) unreadMap {
	var m unreadMap
	sector, drive := sectorOf(r), r.Image.DriveSize
	add := func(list []verify.Holding) {
		for _, h := range list {
			state, _ := imap.ParseState(h.State)
			if state == imap.Read {
				continue
			}
			for _, g := range h.Ranges {
				if s, e, ok := wholeSectors(g[0], g[1], sector, drive); ok {
					m = append(m, stretch{s, e, state})
				}
			}
		}
	}
	for i := range r.Volumes {
		add(r.Volumes[i].Places)
	}
	add(r.Summary.Places)
	slices.SortFunc(m, func(a, b stretch) int {
		return cmp.Or(cmp.Compare(a.start, b.start), cmp.Compare(b.end, a.end), cmp.Compare(a.state, b.state))
	})
	out := m[:0]
	for _, s := range m {
		if n := len(out); n > 0 {
			last := &out[n-1]
			s.start = max(s.start, last.end)
			if s.start >= s.end {
				continue
			}
			if s.start == last.end && s.state == last.state {
				last.end = s.end
				continue
			}
		}
		out = append(out, s)
	}
	return out
}

func sectorOf(r *verify.Result) int64 {
	if r.Image.Sector > 0 && r.Image.Sector <= 1<<20 {
		return r.Image.Sector
	}
	return 512
}

// maxDrive bounds the size of a drive, so that places on it add up.
const maxDrive = 1 << 61

// wholeSectors widens a range to whole sectors of the drive; ok is false where
// nothing of it is on the drive.
func wholeSectors(start, length, sector, drive int64) (s, e int64, ok bool) {
	drive = min(drive, maxDrive)
	if start < 0 || length <= 0 || start >= drive {
		return 0, 0, false
	}
	end := drive
	if length < drive-start {
		end = min((start+length+sector-1)/sector*sector, drive)
	}
	return start / sector * sector, end, true
}

// within calls yield for the unread parts of [start, end), in order, until it
// returns false.
func (m unreadMap) within(start, end int64, yield func(s, e int64) bool) {
	for i := m.from(start); i < len(m) && m[i].start < end; i++ {
		if !yield(max(m[i].start, start), min(m[i].end, end)) {
			return
		}
	}
}

// from is the first stretch that ends after a place.
func (m unreadMap) from(at int64) int {
	return sort.Search(len(m), func(i int) bool { return m[i].end > at })
}

package reread

import (
	"cmp"
	"slices"
	"sort"

	"fileassay/extract/imap"
	"fileassay/verify/result"
)

// stretch is a run of unread bytes in one state, of whole sectors.
type stretch struct {
	start, end int64
	state      imap.State
}

// unreadMap is all that a result calls unread, in order: stretches that do not
// overlap.
type unreadMap struct {
	start, end []int64
	state      []imap.State
	tops       []int64 // where each block of blockSize stretches ends, but the last
}

// blockSize is how many stretches are looked up as one at first, so that what a
// search goes through stays in the processor's near memory.
const blockSize = 16

// newUnreadMap collects what a result calls unread.
func newUnreadMap(r *result.Result) unreadMap {
	n := 0
	for i := range r.Volumes {
		n += rangeCount(r.Volumes[i].Places)
	}
	m := make([]stretch, 0, n+rangeCount(r.Summary.Places))
	sector, drive := sectorOf(r), r.Image.DriveSize
	add := func(list []result.Holding) {
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
	u := unreadMap{start: make([]int64, len(out)), end: make([]int64, len(out)), state: make([]imap.State, len(out))}
	for i, s := range out {
		u.start[i], u.end[i], u.state[i] = s.start, s.end, s.state
	}
	for at := blockSize; at < len(out); at += blockSize {
		u.tops = append(u.tops, out[at-1].end)
	}
	return u
}

func rangeCount(list []result.Holding) (n int) {
	for i := range list {
		n += len(list[i].Ranges)
	}
	return n
}

func sectorOf(r *result.Result) int64 {
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
func (m *unreadMap) within(start, end int64, yield func(s, e int64) bool) {
	for i := m.from(start); i < len(m.start) && m.start[i] < end; i++ {
		if !yield(max(m.start[i], start), min(m.end[i], end)) {
			return
		}
	}
}

// from is the first stretch that ends after a place.
func (m *unreadMap) from(at int64) int {
	first := blockSize * sort.Search(len(m.tops), func(i int) bool { return m.tops[i] > at })
	block := m.end[first:min(first+blockSize, len(m.end))]
	return first + sort.Search(len(block), func(i int) bool { return block[i] > at })
}

// size is how long a stretch is.
func (m *unreadMap) size(i int32) int64 { return m.end[i] - m.start[i] }

package volume

import (
	"encoding/binary"
	"fmt"

	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

const (
	maxGaps      = 64 // gaps between found volumes that are looked into
	maxGapPlaces = 64 // multiples of 1 MiB in each
	smallestGap  = 64 << 10
)

// marked are the volumes in the gaps that no reader lists but whose mark
// stands at a likely place: their kinds keep no length that all of them share,
// so those that do not tell end where the gap does.
func (s *search) marked(volumes []tenant) []Volume {
	var out []Volume
	looked := 0
	for _, g := range s.gaps(volumes) {
		if g.End-g.Start < smallestGap || g.Start >= s.r.Size() {
			continue
		}
		if looked++; looked > maxGaps {
			break
		}
		reach := g.Start
		for _, at := range gapPlaces(g) {
			if at < reach {
				continue
			}
			c, ok, _ := identifyHead(s.r, at, g.End-at)
			if !ok {
				continue
			}
			length := markedLength(s.r, c.filesystem, at)
			if length <= 0 || length > g.End-at {
				length = g.End - at
			}
			out = append(out, Volume{
				Start: at, Length: length, Filesystem: c.filesystem, Reason: c.reason, NoFiles: c.noFiles,
				Found: fmt.Sprintf("signature at offset %d (no table)", s.r.Origin(at)),
			})
			reach = at + length
		}
	}
	return out
}

// gapPlaces are the places in a gap where a volume would begin: its start,
// sector 63, and multiples of 1 MiB.
func gapPlaces(g ranges.Range) []int64 {
	out := []int64{g.Start}
	if g.Start == 0 {
		out = append(out, 63*512)
	}
	const mib = 1 << 20
	for at := (g.Start/mib + 1) * mib; at < g.End && len(out) < maxGapPlaces; at += mib {
		out = append(out, at)
	}
	return out
}

// markedLength is the length that a volume tells in its own first block, 0
// where its kind tells none or the block was not read.
func markedLength(r *image.Reader, filesystem string, at int64) int64 {
	b := make([]byte, 48)
	var unit, count uint64
	switch filesystem {
	case "xfs": // XFS Algorithms & Data Structures, "Superblocks": sb_blocksize, sb_dblocks
		if _, err := r.ReadAt(b, at); err != nil {
			return 0
		}
		unit, count = uint64(binary.BigEndian.Uint32(b[4:])), binary.BigEndian.Uint64(b[8:])
	case "apfs": // Apple File System Reference, "Container": nx_block_size, nx_block_count
		if _, err := r.ReadAt(b, at); err != nil {
			return 0
		}
		unit, count = uint64(binary.LittleEndian.Uint32(b[36:])), binary.LittleEndian.Uint64(b[40:])
	case "linux swap": // include/linux/swap.h: last_page at 1028, pages of 4096 bytes
		if _, err := r.ReadAt(b[:4], at+1028); err != nil {
			return 0
		}
		unit, count = 4096, uint64(binary.LittleEndian.Uint32(b))+1
	}
	if unit == 0 || count > uint64(maxOffset)/unit {
		return 0
	}
	return int64(unit * count)
}

// smallestVolume is the least of space in which data that nothing claims is
// shown as a volume of its own: less is what systems leave before and between
// partitions, and often use for their boot programs.
const smallestVolume = 2 << 20

// leftover tells of the gaps in which volumes may stand unseen: those where
// something was not read go to Missing, and those that hold data are volumes
// of unknown content.
func (s *search) leftover(volumes []tenant) []Volume {
	var out []Volume
	for _, g := range s.gaps(volumes) {
		g.End = min(g.End, s.r.Size())
		if g.End-g.Start < smallestGap {
			continue
		}
		var dark int64
		for u := range s.r.Unread(g.Start, g.End-g.Start) {
			dark += u.Length - s.tables.Covered(u.Start, u.Length)
		}
		if dark > 0 {
			s.l.missing("%d bytes between offsets %d and %d, where no volume was found, were not read: one may be hidden there", dark, s.r.Origin(g.Start), s.r.Origin(g.End))
		}
		if n := s.data.Covered(g.Start, g.End-g.Start); n > 0 && g.End-g.Start >= smallestVolume {
			out = append(out, Volume{
				Start: g.Start, Length: g.End - g.Start, Filesystem: "unknown", Found: "space outside the volumes found",
				Reason: "data stands here that no volume found accounts for",
			})
		}
	}
	return out
}

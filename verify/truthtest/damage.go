package truthtest

import (
	"cmp"
	"encoding/binary"
	"math/rand/v2"
	"slices"

	"fileassay/extract/fixture"
	"fileassay/extract/imap"
)

// Profile is a way in which a drive fails.
type Profile struct {
	Name string
	// Spares says that the profile leaves at least one copy of all metadata,
	// so that every file whose content was read must be called intact.
	Spares bool
	// Unread makes the ranges that were not read.
	Unread func(f *fixture.Fixture, rnd *rand.Rand) []imap.Range
}

// Profiles are the ways in which the tests' drives fail.
func Profiles() []Profile {
	return []Profile{
		{"none", true, func(*fixture.Fixture, *rand.Rand) []imap.Range { return nil }},
		{"content", true, contentOnly},
		{"singles", false, singles},
		{"bursts", false, bursts},
		{"bands", false, bands},
		{"head", false, head},
		{"tail", false, tail},
		{"first records", true, firstRecords},
		{"mirror", true, mirror},
	}
}

// Sectors are ranges of whole sectors in order, from sectors in any order.
func Sectors(sector int64, list []int64, state imap.State) []imap.Range {
	slices.Sort(list)
	var out []imap.Range
	for _, s := range slices.Compact(list) {
		if n := len(out); n > 0 && out[n-1].End() == s*sector {
			out[n-1].Length += sector
			continue
		}
		out = append(out, imap.Range{Start: s * sector, Length: sector, State: state})
	}
	return out
}

func sectorCount(f *fixture.Fixture) int64 { return int64(len(f.Image)) / f.Truth.Sector }

func singles(f *fixture.Fixture, rnd *rand.Rand) []imap.Range {
	n := sectorCount(f)
	var list []int64
	for range max(8, n/3000) {
		list = append(list, rnd.Int64N(n))
	}
	return Sectors(f.Truth.Sector, list, imap.Failed)
}

// contentOnly takes sectors that hold nothing but a file's content.
func contentOnly(f *fixture.Fixture, rnd *rand.Rand) []imap.Range {
	s := f.Truth.Sector
	var list []int64
	for _, file := range f.Truth.Files {
		for _, r := range file.Runs {
			for k := (r[1] + s - 1) / s; (k+1)*s <= r[1]+r[2]; k++ {
				if rnd.IntN(200) == 0 {
					list = append(list, k)
				}
			}
		}
	}
	return Sectors(s, list, imap.Failed)
}

func bursts(f *fixture.Fixture, rnd *rand.Rand) []imap.Range {
	n := sectorCount(f)
	var failed []int64
	for range 12 {
		at := rnd.Int64N(n)
		for range 20 {
			from := at + rnd.Int64N(400)
			for k := from; k < min(n, from+1+rnd.Int64N(16)); k++ {
				failed = append(failed, k)
			}
		}
	}
	return Sectors(f.Truth.Sector, failed, imap.Failed)
}

// bands is one head of four dead.
func bands(f *fixture.Fixture, rnd *rand.Rand) []imap.Range {
	n := sectorCount(f)
	track := 64 + rnd.Int64N(512)
	var out []imap.Range
	for at := rnd.Int64N(4) * track; at < n; at += 4 * track {
		failed := min(3, n-at)
		out = append(out, imap.Range{Start: at * f.Truth.Sector, Length: failed * f.Truth.Sector, State: imap.Failed})
		if end := min(at+track, n); end > at+failed {
			out = append(out, imap.Range{Start: (at + failed) * f.Truth.Sector, Length: (end - at - failed) * f.Truth.Sector, State: imap.Skipped})
		}
	}
	return out
}

// head is the start of the drive: a table of partitions, or the first structures
// of a volume, which has copies of some.
func head(f *fixture.Fixture, _ *rand.Rand) []imap.Range {
	return []imap.Range{{Length: 8 * f.Truth.Sector, State: imap.Skipped}}
}

func tail(f *fixture.Fixture, _ *rand.Rand) []imap.Range {
	n := sectorCount(f)
	at := n * 9 / 10 * f.Truth.Sector
	return []imap.Range{{Start: at, Length: int64(len(f.Image)) - at, State: imap.Skipped}}
}

// tables are where an NTFS volume keeps its file table and its mirror, and the
// bytes of four records.
func tables(f *fixture.Fixture, v fixture.Volume) (mft, mirror, size int64) {
	b := f.Image[v.Start:]
	cluster := int64(binary.LittleEndian.Uint16(b[0x0b:])) * int64(b[0x0d])
	record := int64(1024)
	if n := int8(b[0x40]); n > 0 {
		record = int64(n) * cluster
	}
	return v.Start + int64(binary.LittleEndian.Uint64(b[0x30:]))*cluster, v.Start + int64(binary.LittleEndian.Uint64(b[0x38:]))*cluster, 4 * record
}

// firstRecords takes the primary structures that have a copy: the boot sector
// and the mirrored records.
func firstRecords(f *fixture.Fixture, _ *rand.Rand) []imap.Range {
	var out []imap.Range
	for _, v := range f.Truth.Volumes {
		if v.FS != "ntfs" {
			continue
		}
		mft, _, size := tables(f, v)
		out = append(out, imap.Range{Start: v.Start, Length: f.Truth.Sector, State: imap.Failed}, imap.Range{Start: mft, Length: size, State: imap.Failed})
	}
	return out
}

// mirror takes the copies.
func mirror(f *fixture.Fixture, _ *rand.Rand) []imap.Range {
	var out []imap.Range
	for _, v := range f.Truth.Volumes {
		if v.FS != "ntfs" {
			continue
		}
		_, mirror, size := tables(f, v)
		out = append(out, imap.Range{Start: mirror, Length: size, State: imap.Failed},
			imap.Range{Start: v.Start + v.Length - f.Truth.Sector, Length: f.Truth.Sector, State: imap.Failed})
	}
	slices.SortFunc(out, func(a, b imap.Range) int { return cmp.Compare(a.Start, b.Start) })
	return out
}

// Fills are what may stand in the sectors that were not read.
var Fills = []string{"keep", "zeros", "random", "copies"}

// Fill puts something into the unread ranges of img, which is a copy of
// original.
func Fill(img, original []byte, unread []imap.Range, how string, rnd *rand.Rand) {
	for _, u := range unread {
		part := img[u.Start:u.End()]
		switch how {
		case "keep":
			copy(part, original[u.Start:u.End()])
		case "zeros":
			clear(part)
		case "random":
			for i := range part {
				part[i] = byte(rnd.Uint32())
			}
		case "copies": // of other sectors, with some luck of some that mean something
			for i := 0; i < len(part); i += 512 {
				from := rnd.IntN(len(original)/512) * 512
				for try := 0; try < 20 && original[from] == 0; try++ {
					from = rnd.IntN(len(original)/512) * 512
				}
				copy(part[i:], original[from:from+512])
			}
		}
	}
}

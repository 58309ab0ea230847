package volume

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// table is what one reading of the drive's partition tables gives.
type table struct {
	scheme     string
	unit       int64 // bytes of the unit it counts in
	base       int64 // where its drive begins in the image; what it says counts from there
	partitions []Partition
	// rivals are entries of a copy of the table that is not followed, each with
	// its Doubt: nothing that is followed names their places.
	rivals     []Partition
	notes      []string
	structures []extract.Structure
	// vouched is set where a checksum covers the entries, the copy that drivers
	// follow was read as far as to show that they are current, and no copy
	// disagrees. Else the whole drive is dark.
	vouched bool
	// healthy is set where every copy of the table was read and agrees.
	healthy bool
	// end is where the drive ends that the table says that it was made for; 0 where
	// it does not say, or what was read speaks against it.
	end int64
	// dark are ranges where the table is not whole: volumes that it does not
	// name may stand there.
	dark []ranges.Range
	// broken is set where a table without a copy does not account for all of its
	// partitions.
	broken bool
	// hollow is set where an extended partition has room and names no drive.
	hollow bool
	// missing says why partitions of it were left aside, "" if none were
	missing string
}

// wholeDrive is all of it, as a dark range.
func wholeDrive(r *image.Reader) []ranges.Range {
	return []ranges.Range{{Start: 0, End: r.DriveSize()}}
}

// maxNotes bounds the remarks on one table, which a hostile one could make any
// number of.
const maxNotes = 200

func (t *table) note(format string, args ...any) {
	switch {
	case len(t.notes) < maxNotes:
		t.notes = append(t.notes, fmt.Sprintf(format, args...))
	case len(t.notes) == maxNotes:
		t.notes = append(t.notes, "further remarks on this table are left out")
	}
}

// maxOffset bounds what a table may say, so that sums of two places fit.
const maxOffset = int64(1) << 60

// bytesAt turns a sector number into bytes; ok is false where no drive reaches
// so far.
func bytesAt(sector uint64, unit int64) (n int64, ok bool) {
	if sector > uint64(maxOffset/unit) {
		return 0, false
	}
	return int64(sector) * unit, true
}

// settle sorts the entries and says of each what is wrong with its place and
// what a copy of the table says against it.
func (t *table) settle(image, drive int64) {
	for _, list := range [][]Partition{t.partitions, t.rivals} {
		slices.SortStableFunc(list, func(a, b Partition) int {
			return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(a.Number, b.Number))
		})
		for i := range list {
			p := &list[i]
			if p.Problem == "" {
				p.Problem = placeProblem(p, image, drive, t.base)
			}
			if p.Problem != "" && p.Length == 0 && !p.Free && !p.Container && !p.Protective {
				t.broken = true // it names a volume, and no place
			}
			for _, why := range []string{p.Problem, p.Doubt} {
				if why != "" {
					t.note("%s: %s", p.label(t.scheme), why)
				}
			}
		}
	}
	reach, last := int64(math.MinInt64), -1
	for i := range t.partitions {
		p := &t.partitions[i]
		if p.Container || p.Protective || p.Length == 0 {
			continue
		}
		if p.Start < reach {
			t.note("%s begins at offset %d inside %s, which reaches to offset %d",
				p.label(t.scheme), t.base+p.Start, t.partitions[last].label(t.scheme), t.base+reach)
		}
		if p.End() > reach {
			reach, last = p.End(), i
		}
	}
}

func placeProblem(p *Partition, image, drive, base int64) string {
	switch {
	case p.Length == 0:
		return "has no length"
	case p.Start >= drive:
		return fmt.Sprintf("begins at offset %d, past the end of the drive at %d", base+p.Start, base+drive)
	case p.End() > drive && !p.Protective:
		return fmt.Sprintf("reaches to offset %d, past the end of the drive at %d", base+p.End(), base+drive)
	case p.Start >= image && !p.Protective:
		return fmt.Sprintf("begins at offset %d, past the end of the image at %d", base+p.Start, base+image)
	case p.End() > image && !p.Protective:
		return fmt.Sprintf("reaches to offset %d, past the end of the image at %d", base+p.End(), base+image)
	}
	return ""
}

// label names the partition as people know it.
func (p *Partition) label(scheme string) string {
	switch {
	case p.Logical:
		return fmt.Sprintf("logical drive %d", p.Number)
	case p.GUID != "":
		return fmt.Sprintf("GPT entry %d", p.Number)
	case scheme == SchemeAPM:
		return fmt.Sprintf("Apple map entry %d", p.Number)
	}
	return fmt.Sprintf("MBR partition %d", p.Number)
}

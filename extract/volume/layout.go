package volume

import (
	"cmp"
	"fmt"
	"slices"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// The schemes of [Layout].Scheme.
const (
	SchemeMBR     = "mbr"
	SchemeGPT     = "gpt"
	SchemeHybrid  = "hybrid" // GPT whose MBR names partitions too
	SchemeAPM     = "apm"
	SchemeNone    = "none"    // no table: one bare volume, or an empty drive
	SchemeUnknown = "unknown" // the table is unread or senseless
)

// Layout is what the partition tables and the volumes' own structures say of
// the drive.
type Layout struct {
	Scheme     string      // one of the Scheme constants
	SectorSize int64       // bytes of the unit the table counts in; the image's sector where there is no table
	Partitions []Partition // entries as the table states them, by start, then number
	// Volumes is what was found, by start: the list that is verified. Extended
	// containers and protective entries are no volumes.
	Volumes []Volume
	// Notes say in words what was used in place of what was unread, where
	// tables disagree, and which chains broke.
	Notes []string
	// Missing says in words why Volumes may be short: places where a volume
	// may stand of which nothing was read. Empty where the tables vouch for
	// the list. Each of them is among the Notes too.
	Missing    []string
	Structures []extract.Structure // health of the tables: MBR, extended records, GPT headers and arrays
	// Needs are the parts of the tables whose unread sectors would tell of
	// more volumes; see [extract.File.Needs].
	Needs []ranges.Range
}

func (l *Layout) note(format string, args ...any) {
	l.Notes = append(l.Notes, fmt.Sprintf(format, args...))
}

// missing notes why Volumes may be short.
func (l *Layout) missing(format string, args ...any) {
	l.note(format, args...)
	l.Missing = append(l.Missing, l.Notes[len(l.Notes)-1])
}

// Partition is an entry of a partition table.
type Partition struct {
	Number   int    // as people count them: from 1; logical drives from 5
	Start    int64  // bytes in the image
	Length   int64  // bytes; may pass the drive's end, where the table is wrong
	Type     string // in words
	TypeCode string // as the table states it: "0x07", a GUID in capitals, an Apple type
	Name     string // GPT and Apple names; "" in an MBR
	GUID     string // of a GPT entry

	Logical    bool // a logical drive of an extended partition
	Bootable   bool // marked active in an MBR
	Container  bool // an extended partition
	Protective bool // the MBR entry that shields a GPT
	NoFiles    bool // the type says that it holds no files
	Free       bool // unused space that the table has an entry for

	Problem string // why the entry cannot be taken as it stands, "" if it can
	// Doubt says why the entry is not proved: what a copy of the table says
	// against it, "" where nothing does.
	Doubt string
}

// room reports whether the partition is one that something fills: no
// container, no entry for the table itself, no free space.
func (p *Partition) room() bool {
	return !p.Container && !p.Protective && !p.Free && p.Length > 0
}

// End is the first byte past the partition.
func (p *Partition) End() int64 { return p.Start + p.Length }

// Volume is a part of the image that one filesystem fills, or whatever else a
// partition holds.
type Volume struct {
	Start  int64 // bytes in the image
	Length int64 // bytes; may pass the image's end
	// Pieces, of a volume that does not lie in one piece of the image, are those
	// that make it up, in its own order; then Start is where the first of them
	// begins, and what they leave out of Length lies on other drives.
	Pieces image.Runs
	// Filesystem is what the volume holds: a name that [extract.Info] uses, or
	// for what cannot be listed "xfs", "btrfs", "apfs", "luks", "bitlocker",
	// "linux swap", "lvm2", "linux md raid" and so on, "empty", "unread" or
	// "unknown".
	Filesystem string
	Found      string     // how, in words: "GPT entry 2", "logical drive 5", "backup boot sector at offset 512 (no table)"
	Partition  *Partition // nil where no table entry speaks for the volume
	Reason     string     // why it cannot be listed, "" if a reader accepts it
	NoFiles    bool       // nothing in it could be a file: swap, empty, reserved
	// Doubt says in words why nothing of the volume is proved: what else claims
	// its place, or what contradicts it. Nil where nothing does.
	Doubt []string
	// Needs, of a volume that no reader accepts or that is in doubt, are the
	// places whose unread sectors would tell what stands there; see
	// [extract.File.Needs].
	Needs []ranges.Range

	rests rest   // what it rests on
	own   int64  // its length by its own structures, 0 where unknown
	id    string // what these call it, as [extract.Candidate].ID
	over  int64  // bytes by which that passes the end of its partition

	bad    []ranges.Range     // of the image: what an array in front gave up, sorted
	full   int64              // own, of a volume in pieces
	member bool               // metadata of an array was read that it is part of
	fs     extract.Filesystem // that it was found with, until [Open] gives it
}

// End is the first byte past a volume in one piece.
func (v *Volume) End() int64 { return v.Start + v.Length }

// Places are where the volume lies in the image, in order.
func (v *Volume) Places() []ranges.Range { return v.placesOf(v.End()) }

// at is where a byte of the volume lies in the image; negative where it does not.
func (v *Volume) at(off int64) int64 {
	if v.Pieces == nil {
		return v.Start + off
	}
	return v.Pieces.Place(off)
}

// placesOf is Places where a volume in one piece ends at end.
func (v *Volume) placesOf(end int64) []ranges.Range {
	if v.Pieces == nil {
		return []ranges.Range{{Start: v.Start, End: end}}
	}
	out := v.Pieces.Ranges([]ranges.Range{{Start: 0, End: v.Length}})
	slices.SortFunc(out, func(a, b ranges.Range) int { return cmp.Compare(a.Start, b.Start) })
	return out
}

// NotListedError says why a volume cannot be opened by any reader.
type NotListedError struct {
	Filesystem string
	Start      int64 // of the volume in the image, bytes
	Reason     string
}

func (e *NotListedError) Error() string {
	return fmt.Sprintf("volume at offset %d (%s) cannot be listed: %s", e.Start, e.Filesystem, e.Reason)
}

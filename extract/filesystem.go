package extract

import "context"

// Filesystem is a volume opened by one of the readers.
//
// Walk is called once, then Listing and Space. None of the methods is safe for
// concurrent use; a reader may use several goroutines within a method.
type Filesystem interface {
	// Info describes the volume.
	Info() Info
	// Structures reports the health of the volume's own structures.
	Structures(ctx context.Context) ([]Structure, error)
	// Walk calls yield for every listed entry, in an order that depends only
	// on the volume, and ends early with yield's error. Unread or damaged
	// metadata is no error: it shows in the files and in Listing. The File and
	// what it points to belong to the callee afterwards: yield may keep them.
	Walk(ctx context.Context, yield func(*File) error) error
	// Listing is the statement on the list that Walk gave. Valid after Walk.
	Listing() Listing
	// Space calls yield for every range of the volume in order of place,
	// without gaps or overlaps, with its use. Valid after Walk.
	Space(ctx context.Context, yield func(start, length int64, use Use) error) error
}

// Use is what a range of a volume is used for, as the volume's allocation
// map and the claims of its files and own structures tell it.
type Use uint8

// The uses.
const (
	UseUnknown   Use = iota // the allocation map is unread here and nothing claims it
	UseFree                 // not allocated
	UseStructure            // one of the filesystem's own structures, folders included
	UseFile                 // claimed by a listed file (whole clusters, slack included)
	UseUnclaimed            // allocated, but no listed file or structure claims it
)

// Candidate is a volume that one sector of the image speaks for.
type Candidate struct {
	Start, Length int64  // of the volume in the image, bytes; Length 0 where not known
	Filesystem    string // as Info.Filesystem
	From          string // which structure spoke: "boot sector", "backup boot sector"
	At            int64  // where that structure stands in the image
}

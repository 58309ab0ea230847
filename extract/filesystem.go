package extract

import "context"

// Filesystem is a volume opened by one of the readers.
type Filesystem interface {
	// Info describes the volume. What a walk found is in it after the walk.
	Info() Info
	// Walk calls yield for every listed entry, in an order that depends only
	// on the volume, and ends early with yield's error. It is called once.
	// Unread or damaged metadata is no error: it shows in the files and in the
	// survey. The File and what it points to belong to the callee afterwards:
	// yield may keep them. With a nil yield the walk looks at the volume's own
	// structures alone, and the survey holds nothing else.
	//
	// It is not safe for concurrent use, but may use several goroutines within.
	Walk(ctx context.Context, yield func(*File) error) (*Survey, error)
}

// Survey is what a walk tells of a volume as a whole.
type Survey struct {
	Listing    Listing     // how complete the list of its files is
	Structures []Structure // the health of its own structures
	// Space is the use of every range of the volume.
	Space Space
}

// Space calls yield for every range of a volume in order of place, without
// gaps or overlaps, with its use. It may be called again.
type Space func(ctx context.Context, yield func(start, length int64, use Use) error) error

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

// Bearing is what the structures around say of one that speaks for a volume without
// telling where that begins. The zero value is that they say nothing: they are
// unread, or something else only looks like it.
type Bearing struct {
	Borne   bool    // they bear it out: the volume begins at Start
	Start   int64   // in the image
	Places  []int64 // of other structures of the volume, and of the last block known
	Refuted bool    // all that would bear it out was read, and does not
}

// Candidate is a volume that one sector of the image speaks for.
type Candidate struct {
	Start, Length int64  // of the volume in the image, bytes
	Filesystem    string // as Info.Filesystem
	From          string // which structure spoke: "boot sector", "backup boot sector"
	At            int64  // where that structure stands in the image

	// ID is the volume's own serial number or UUID in hexadecimal, with the
	// time it was made where the kind keeps no sure number: it tells two
	// volumes apart that stood at one place one after the other. "" if it has
	// none.
	ID string
	// Written is when the volume was made, or else when its structure was last
	// written, in seconds since 1970; 0 where the kind keeps neither. It says
	// which of two rivals is the likelier one and proves nothing.
	Written int64
}

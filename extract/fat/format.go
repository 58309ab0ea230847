package fat

import (
	"context"
	"time"

	"fileassay/extract"
)

// format is what a filesystem adds to chains of clusters: the meaning of the
// slots of its folders, and the structures before them.
type format interface {
	// locate finds the boot sector and what it and the root lead to. The error is
	// an [*extract.NotVolumeError] where there is no such volume.
	locate(ctx context.Context, l *layout) error
	// Entries decodes the slots of a folder and yields what they hold, in
	// order. slots calls its argument for each until it returns false.
	entries(f folder, slots func(visit func(slot) bool), yield func(*entry)) tally
	// FolderStart judges the first bytes of cluster c, all read, which is
	// allocated and claimed by nothing: does a folder begin or go on there?
	folderStart(c uint32, b []byte) look
	// folderHead is how many bytes folderStart wants to see.
	folderHead() int64
	// findLost looks for an allocation map that the root should have led to, once
	// what hangs from the root is claimed.
	findLost(ctx context.Context, l *layout, o *owners) error
	// info describes the volume by its boot sector and what the root tells.
	info() extract.Info
	// structures are those of the volume before its root, of which the table
	// holds n.
	structures(l *layout, n count) []extract.Structure
}

// folder is what a format is told of the folder whose slots it decodes.
type folder struct {
	Root    bool
	First   uint32 // its first cluster; 0 for a fixed root
	Partial bool   // what is read of it does not begin with its first slot
	// HasParent says that Parent is known: what its second slot names in FAT.
	HasParent bool
	Parent    uint32
}

// look is what the beginning of a cluster looks like.
type look struct {
	Folder bool // slots of a folder, which pass the format's checks
	Head   bool // the first cluster of one, which names itself
	Parent uint32
	// HasParent says that Parent is known: the first cluster of the parent, 0
	// for the root.
	HasParent bool
}

// entry is a file or folder as the slots of its parent describe it.
type entry struct {
	At        int64  // place of its (first readable) slot in the image, bytes
	Name      string // as shown; "" where not known
	NameBytes []byte // as extract.File has it
	HalfNamed bool   // Name is a shorter form, since the full one is unread
	Folder    bool
	// Guessed says that the part which tells the kind was not read: Folder is a
	// guess, unless a folder stands where its content begins.
	Guessed bool
	// NameOnly says that only the name was read: not even the kind is known.
	NameOnly   bool
	First      uint32 // first cluster; 0 for none
	Size       int64  // bytes; -1 where not known. Of a folder: -1 where the chain tells
	Valid      int64  // bytes from the start that were written; the rest of Size is a hole
	Contiguous bool   // the clusters follow each other; the table does not count
	Modified   time.Time
	Local      bool // Modified has no zone
	// Doubtful says that not all that vouches for the entry was read, or that
	// it does not pass its checks.
	Doubtful bool
	Why      []string
}

// tally is how the reading of a folder went.
type tally struct {
	Unread  int64 // slots before its end that were not read
	Records int64 // files and folders that could stand in them, at the most
	Faulty  int64 // slots that make no sense
	Ended   bool  // its end mark was read
	Doubt   bool  // it does not begin as a folder of its place does
}

func (t *tally) add(o tally) {
	t.Unread += o.Unread
	t.Records += o.Records
	t.Faulty += o.Faulty
}

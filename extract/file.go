package extract

import (
	"time"

	"fileassay/extract/ranges"
)

// Kind says what a listed entry is.
type Kind string

// The kinds of a listed entry.
const (
	KindFile   Kind = "file"
	KindFolder Kind = "folder"
	KindLink   Kind = "link"   // a symbolic link, junction or the like: no content of its own
	KindStream Kind = "stream" // a further stream of a file; its path is "file:stream"
)

// Stored says how content is kept where the stored bytes are not the content.
type Stored string

// The ways content is stored other than plainly.
const (
	StoredPlain      Stored = ""
	StoredCompressed Stored = "compressed"
	StoredEncrypted  Stored = "encrypted"
	// StoredElsewhere is content that was never on this drive, as that of a
	// cloud placeholder.
	StoredElsewhere Stored = "elsewhere"
)

// PieceKind says what is known of a piece of a file's content.
type PieceKind uint8

// The kinds of pieces.
const (
	// Data is content that lies, byte for byte, at Piece.Image.
	Data PieceKind = iota
	// Hole is content without storage, which reads as zeros: sparse ranges,
	// and what lies past the valid data length.
	Hole
	// Unlocated is content whose place in the image is not known.
	Unlocated
	// Unit is content that is stored transformed as a whole (a compression
	// unit): it is read only if every byte of Piece.Units was read.
	Unit
	// Patched is content that lies at Piece.Image but is not read as a plain
	// extent: a filesystem keeps it apart from its neighbours (the last two
	// bytes of each sector of an NTFS record stand in the record's head).
	Patched
)

// Piece is a part of a file's content, in bytes of the content.
type Piece struct {
	Offset int64 // in the file's content
	Length int64 // of content, > 0
	Kind   PieceKind
	Image  int64 // where in the image; for Data and Patched

	// Also is a further range of the image that must have been read for this
	// piece to count, of AlsoLength bytes; none if AlsoLength is 0. A Patched
	// piece is vouched for by the sector it was taken from.
	Also, AlsoLength int64

	// Units are the stored bytes of a Unit, in stored order; Offset of each is
	// the place in the content that the filesystem itself gives it.
	Units []Extent
}

// Extent is a run of stored bytes: Length bytes of the image from Image,
// which belong to a file's content from Offset.
type Extent struct {
	Offset int64
	Image  int64
	Length int64
}

// Packing says how units of content are stored.
type Packing struct {
	Method string // a method of package unpack; "" where that is not known
	Unit   int64  // bytes of content that a unit holds; the last may hold less
	Valid  int64  // if not 0: content past it reads as zeros, whatever a unit holds
}

// File is an entry of a volume's listing: a file, folder, link or stream under
// one of its names.
type File struct {
	ID uint64 // the filesystem's own number for it (record, inode, catalog id, first cluster)
	// Path has "/" between names and no leading slash. Make it with
	// [NameFromUTF16] or [NameFromBytes] and a [Namer], so that no name in it is
	// hostile and it has bounds.
	Path string
	// NameBytes is the last name exactly as stored (UTF-16LE, or bytes) where
	// Path cannot carry it exactly; nil where it can.
	NameBytes []byte
	Kind      Kind
	Size      int64 // bytes of content; -1 where unknown
	// Pieces cover [0,Size) in order without overlap. What they leave out
	// counts as unlocated, never as a hole.
	Pieces []Piece

	Modified time.Time // zero where unknown
	// LocalTime is set where the filesystem keeps local time without a zone:
	// Modified then holds the clock reading as if it were UTC.
	LocalTime bool

	// Executable says that the owner may run the file as a program, where the
	// filesystem says so. Other permissions belong to accounts of the machine
	// that the drive came from.
	Executable bool

	Unnamed bool // no name is known; Path is "?/<id>"
	// Deep says that the path of the folder that it lies in is longer than
	// [PathLimit], so that Path is "?/<id of the folder>/name" although more is
	// known.
	Deep bool
	// NameOnly is a file known only by its name in a folder: its own record
	// is unread. Size may still be known from the folder.
	NameOnly bool
	// RecordUnread says that a part of the metadata of this entry that could
	// change its size or content was not read, so that it cannot be intact
	// even if every piece was read.
	RecordUnread bool
	// EntriesUnread, of a folder, says that some of its entries were not read.
	EntriesUnread bool

	// Needs are ranges of the image that hold metadata which, once read, would
	// tell more of this entry: its record, further records, where its
	// unlocated bytes lie, of a folder the names in it. What of them was read
	// already does not count, and their order does not matter. Nothing is said
	// of a place that is not known yet: that shows when these were read. Nil
	// for nearly every entry.
	Needs []ranges.Range

	Stored  Stored
	Packing Packing  // of pieces that are a Unit
	Target  string   // of a link, for people
	Why     []string // remarks for the technician, in words, stable order
}

// Listing is the statement how complete the list of a volume's files is.
type Listing struct {
	Complete       bool
	UnreadRecords  int64    // records (inodes, folder entries) that may have held files and were not read
	UnnamedFiles   int64    // files listed without their name
	UnclaimedBytes int64    // allocated bytes that no listed file or own structure claims
	Why            []string // the reasons in words
	// Needs are like [File.Needs], for what must be read before more can be
	// known and belongs to no listed entry: the file table's own records, the
	// root folder.
	Needs []ranges.Range
}

// Health is what was found of one of a volume's own structures.
type Health string

// The states of a structure.
const (
	HealthRead      Health = "read"        // read and passed its checks
	HealthPartly    Health = "partly read" // some of its sectors were not read
	HealthUnread    Health = "unread"      // none of its sectors was read, or its place is unknown
	HealthDamaged   Health = "damaged"     // read, but fails its own checks
	HealthDisagrees Health = "disagrees"   // read, but differs from its copy
)

// Structure is one of a volume's own structures, for the layout command.
type Structure struct {
	Name   string // in the filesystem's own terms: "boot sector", "file table"
	Image  int64  // its first byte in the image; -1 where unknown
	Length int64  // bytes; 0 where unknown
	Unread int64  // bytes of it that were not read
	Health Health
	Note   string // what else there is to say, in words
}

// Info describes a volume as its own structures do.
type Info struct {
	Filesystem string // "ntfs", "fat12", "fat16", "fat32", "exfat", "ext2", "ext3", "ext4", "hfsplus", "hfsx"
	Label      string
	Cluster    int64    // bytes of an allocation unit
	Notes      []string // what was used in place of what was unread
	// Doubt is what of the volume's own structures contradicts it. Nothing of it
	// is proved where there is any.
	Doubt Doubt
}

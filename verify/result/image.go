package result

import "fmt"

// The records of a result, one JSON object a line: an image, its volumes, the
// files volume by volume, and a summary.

// Image is the first line of a result.
type Image struct {
	Type      string     `json:"type"` // "image"
	Path      string     `json:"path"`
	Folder    string     `json:"folder,omitempty"` // that paths count from which are not absolute: the one that verify ran in
	Size      int64      `json:"size"`
	DriveSize int64      `json:"drive_size"`
	Sector    int64      `json:"sector"`
	Offset    int64      `json:"offset,omitempty"` // where the drive begins in the image, as was asked
	Parts     *Parts     `json:"parts,omitempty"`
	Map       Map        `json:"map"`
	Table     string     `json:"table"` // scheme of the partition table
	Notes     []string   `json:"notes,omitempty"`
	Missing   []string   `json:"missing,omitempty"`            // why volumes may be missing
	Needs     [][2]int64 `json:"needs,omitempty"`              // [offset, length] unread of the partition tables, that would tell of more volumes
	Content   string     `json:"content,omitempty"`            // [ContentRead] where every byte of content was read again
	Broken    [][2]int64 `json:"image_file_errors,omitempty"`  // [offset, length] the image file itself did not give
	Retried   int64      `json:"image_file_retries,omitempty"` // reads of the image file that failed once, and then gave every byte
	Heads     *Heads     `json:"heads,omitempty"`
	Profile   *Profile   `json:"profile,omitempty"` // what was read along the drive
	Format    int        `json:"format"`
	Program   Program    `json:"program"` // that wrote the result
}

// ContentRead is Image.Content where all content was read again.
const ContentRead = "read"

// Program is the program that wrote a result.
type Program struct {
	Version string   `json:"version"`
	Options []string `json:"options,omitempty"` // those that decide what is found, as on the command line
}

// Parts tells of the files that make up an image in parts.
type Parts struct {
	Count int    `json:"count"`
	First string `json:"first"`
	Last  string `json:"last"`
	Short []Part `json:"short,omitempty"` // what is missing of them counts as skipped
}

// Part is a part that is missing or short.
type Part struct {
	Path   string `json:"path"`
	Start  int64  `json:"start"` // in the image
	Length int64  `json:"length"`
	Held   int64  `json:"held"` // bytes that it has, from its start; 0 where it is missing
}

// Map tells of the imaging map in a result; bytes of the whole drive.
type Map struct {
	Path          string `json:"path,omitempty"`
	SHA256        string `json:"sha256,omitempty"`
	Recipe        string `json:"recipe,omitempty"` // by which the map was read, in TOML; "" for our own form
	AssumedRead   bool   `json:"assumed_read,omitempty"`
	TrustDoubtful bool   `json:"trust_doubtful,omitempty"`
	ByteStates
}

// Listing is the statement how complete a volume's list is.
type Listing struct {
	Complete       bool     `json:"complete"`
	UnreadRecords  int64    `json:"unread_records"`
	UnnamedFiles   int64    `json:"unnamed_files"`
	UnclaimedBytes int64    `json:"unclaimed_bytes"`
	Deep           int64    `json:"deep,omitempty"` // entries whose path is too long to be told, listed under their folder's number
	Why            []string `json:"why"`
}

// Volume is a volume in a result.
type Volume struct {
	Type       string   `json:"type"` // "volume"
	Volume     int      `json:"volume"`
	Start      int64    `json:"start"`
	Length     int64    `json:"length"`
	Pieces     Pieces   `json:"pieces,omitempty"` // that make it up, where it does not lie in one piece
	Filesystem string   `json:"filesystem"`
	Label      string   `json:"label"`
	Cluster    int64    `json:"cluster"`
	Found      string   `json:"found"`
	Listing    Listing  `json:"listing"`
	Notes      []string `json:"notes,omitempty"`
	Sums
	Unread     Places      `json:"unread"`
	Structures []Structure `json:"structures,omitempty"` // the health of its own structures
	Needs      [][2]int64  `json:"needs,omitempty"`      // [offset, length] unread, that must be read before more of it can be known
	Proof      *Proof      `json:"proof,omitempty"`      // of the metadata that was read; nil where no files are listed
}

// Lacks says what a volume's list lacks by its own lines, so that it cannot be
// complete; "" where they say nothing of the kind. adrift are the entries under
// "?/", of which some may only be too deep.
func (v *Volume) Lacks(adrift int64) string {
	switch n := v.Folders.Damaged + v.Folders.Lost; {
	case n > 0:
		return fmt.Sprintf("%d folders are damaged or lost: names in them may be missing", n)
	case adrift > v.Listing.Deep:
		return fmt.Sprintf("in which folders %d entries lie is not known", adrift-v.Listing.Deep)
	}
	return ""
}

// PastEnd is the note of a volume in one piece that ends past the end of a drive
// of size bytes; "" for any other.
func (v *Volume) PastEnd(size int64) string {
	if v.Pieces != nil || v.Length <= size-v.Start {
		return ""
	}
	return fmt.Sprintf("the volume ends %d bytes past the end of the image: was the image cut short?", v.Length-(size-v.Start))
}

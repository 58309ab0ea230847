package result

// Heads is the head map of a drive in a result, with what each head gave.
type Heads struct {
	Path   string     `json:"path"`
	SHA256 string     `json:"sha256"`
	Heads  []Head     `json:"heads"`   // by number
	Others ByteStates `json:"unnamed"` // bytes of the drive that the head map names no head for
}

// Head is one head: the bytes of the drive that it serves, by state.
type Head struct {
	Head int `json:"head"`
	ByteStates
	Profile *Profile `json:"profile,omitempty"` // along the drive, of the bytes that it serves
}

// HeadFiles counts the files that wait for a head: with content on sectors of
// it that were not read.
type HeadFiles struct {
	Head  int   `json:"head"`
	Files int64 `json:"files"`
	Alone int64 `json:"alone"` // of those, what waits for nothing else that is known
}

// Profile says what was read along a drive: it is cut into slices of equal
// length, the last of which may be shorter, and the bytes of each are counted
// by state. The sums over the slices are the totals of the imaging map.
type Profile struct {
	Slice  int64      `json:"slice"`  // bytes a slice
	Slices [][5]int64 `json:"slices"` // [number, read, doubtful, failed, skipped]; what is not listed was read whole
}

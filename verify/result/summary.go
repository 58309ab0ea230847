package result

// Summary is the last line of a result. Files counts files, streams and
// links by verdict, one for each name; Bytes is the sum over the same lines.
type Summary struct {
	Type            string       `json:"type"` // "summary"
	Files           VerdictCount `json:"files"`
	Folders         VerdictCount `json:"folders"`
	Sizes           VerdictCount `json:"sizes"` // bytes of content of the files of each verdict
	Bytes           Bytes        `json:"bytes"`
	ListingComplete bool         `json:"listing_complete"`
	Unread          Places       `json:"unread"`
	Heads           []HeadFiles  `json:"heads,omitempty"`
	Wanted          *WantedFiles `json:"wanted,omitempty"` // where a wanted list was given
}

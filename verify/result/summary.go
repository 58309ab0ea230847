package result

// Summary is the last line of a result.
type Summary struct {
	Type string `json:"type"` // "summary"
	Sums
	ListingComplete bool         `json:"listing_complete"`
	Unread          Places       `json:"unread"`
	Heads           []HeadFiles  `json:"heads,omitempty"`
	Wanted          *WantedFiles `json:"wanted,omitempty"` // where a wanted list was given
}

package result

// Structure is the health of one structure of a volume.
type Structure struct {
	Name   string `json:"name"`
	Start  *int64 `json:"start"` // in the image; null where not known
	Length int64  `json:"length"`
	Unread int64  `json:"unread"`
	Health string `json:"health"`
	Note   string `json:"note,omitempty"`
}

// Holding is unread ranges of a volume, or of what lies outside any, that hold
// one thing and are in one state.
type Holding struct {
	Holds  string     `json:"holds"`          // "files", "structures", "free", "outside" or "unknown", as in [Places]
	Name   string     `json:"name,omitempty"` // of the structure, in the filesystem's own terms, where it is one of those that have a fixed place
	State  string     `json:"state"`
	Ranges [][2]int64 `json:"ranges"` // [offset, length], in order
}

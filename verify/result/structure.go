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

package result

import "fileassay/extract"

// Structure is the health of one structure of a volume.
type Structure struct {
	Name   string `json:"name"`
	Start  *int64 `json:"start"` // in the image; null where not known
	Length int64  `json:"length"`
	Unread int64  `json:"unread"`
	Health string `json:"health"`
	Note   string `json:"note,omitempty"`
}

// sound reports whether the health is one that structures have, and one that
// the unread bytes bear out.
func (s *Structure) sound() bool {
	switch extract.Health(s.Health) {
	case extract.HealthRead:
		return s.Unread == 0
	case extract.HealthPartly:
		return s.Unread > 0
	case extract.HealthUnread, extract.HealthDamaged, extract.HealthDisagrees:
		return true
	}
	return false
}

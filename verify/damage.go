package verify

import "strconv"

// Damage is a part of a file's content that was not read, in a result written
// as [offset, image, length, "what"].
type Damage struct {
	Offset int64  // in the content
	Image  int64  // where its first unread byte lies; -1, written null, where that is not known
	Length int64  // bytes of content
	What   string // "doubtful", "failed", "skipped" or "unlocated"
}

// unlocated is Damage.What for content whose place is not known.
const unlocated = "unlocated"

// MarshalJSON writes the array of four.
func (d Damage) MarshalJSON() ([]byte, error) { return appendDamage(nil, d), nil }

// UnmarshalJSON reads the array of four.
func (d *Damage) UnmarshalJSON(b []byte) error {
	s := scanner{b: b}
	err := s.damage(d)
	if err == nil {
		err = s.end()
	}
	return err
}

func appendDamage(b []byte, d Damage) []byte {
	b = append(b, '[')
	b = strconv.AppendInt(b, d.Offset, 10)
	b = append(b, ',')
	if d.Image < 0 {
		b = append(b, "null"...)
	} else {
		b = strconv.AppendInt(b, d.Image, 10)
	}
	b = append(b, ',')
	b = strconv.AppendInt(b, d.Length, 10)
	b = append(b, ',')
	b = appendString(b, d.What)
	return append(b, ']')
}

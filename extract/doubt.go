package extract

import "slices"

// Doubt says in words what contradicts a volume as a whole, or which other one
// may stand in its place: it is listed, and nothing of it is proved. None is
// empty.
type Doubt []string

// Files gives yield the files that it is called with, none of them proved.
func (d Doubt) Files(yield func(*File) error) func(*File) error {
	if len(d) == 0 {
		return yield
	}
	return func(f *File) error {
		f.RecordUnread = true
		f.Why = append(slices.Clip(f.Why), d...)
		return yield(f)
	}
}

// Listing says it of the list, which is not complete then.
func (d Doubt) Listing(l *Listing) {
	if len(d) > 0 {
		l.Complete = false
		l.Why = slices.Concat(d, l.Why)
	}
}

package delivery

import (
	"time"

	"fileassay/verify/result"
)

// keptTime is the time that a file of a delivery has: that of its line, the zero
// time where it tells none, or one that system calls cannot carry (they count
// nanoseconds from 1970 in 64 bits).
func keptTime(f *result.File) time.Time {
	if t, _, ok := f.Time(); ok && t.Year() > 1677 && t.Year() < 2262 {
		return t
	}
	return time.Time{}
}

// timeSlack is how far a time may be off, since some filesystems count in steps
// of two seconds.
const timeSlack = 2 * time.Second

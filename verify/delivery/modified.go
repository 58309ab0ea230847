package delivery

import "time"

// modifiedTime reads the time of a line. What has no zone is taken for UTC:
// which zone the drive lived in, the result does not say.
func modifiedTime(s string) (time.Time, bool) {
	if s == "" {
		return time.Time{}, false
	}
	if t, err := time.Parse(time.RFC3339Nano, s); err == nil {
		return t, true
	}
	t, err := time.Parse("2006-01-02T15:04:05.999999999", s)
	return t, err == nil
}

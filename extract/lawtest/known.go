package lawtest

import "testing"

// known is a failure that is known and not mended yet.
type known struct {
	reader, property string
	cause            string // as a failure prints it
	why              string // in plain words
	image, replay    string // a case that fails by it
}

// isKnown reports whether a cause is in the list.
func isKnown(list []known, reader, property, cause string) bool {
	for _, k := range list {
		if k.reader == reader && k.property == property && k.cause == cause {
			return true
		}
	}
	return false
}

// replay tries what is known of an image: an entry that does not fail any more
// must be taken out of the list.
func (s *subject) replay(t *testing.T, p property, list []known) {
	t.Helper()
	for _, k := range list {
		if k.reader != s.reader.Name || k.property != p.name || k.image != s.image.Name {
			continue
		}
		c, err := parseCase(k.replay)
		if err != nil {
			t.Error(err)
			continue
		}
		fails := false
		for _, b := range p.try(s, c) {
			fails = fails || causeOf(s, p, b.what, c) == k.cause
		}
		if !fails {
			t.Errorf("%s, image %s, property %s: the known failure %q no longer fails: take it out of extract/lawtest/known.go", k.reader, k.image, k.property, k.cause)
		}
	}
}

// knownFailures is the list. It may only get shorter.
var knownFailures = []known{}

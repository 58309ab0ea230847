package lawtest

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

// mended are the causes of the list's entries of this image that do not fail any more.
func (s *subject) mended(p property, list []known) []string {
	var out []string
	for _, k := range list {
		if k.reader != s.reader.Name || k.property != p.name || k.image != s.image.Name {
			continue
		}
		c, err := parseCase(k.replay)
		fails := false
		if err == nil {
			for _, b := range p.try(s, c) {
				fails = fails || causeOf(s, p, b.what, c) == k.cause
			}
		}
		if !fails {
			out = append(out, k.cause)
		}
	}
	return out
}

// knownFailures is the list. It may only get shorter.
var knownFailures = []known{}

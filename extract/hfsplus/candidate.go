package hfsplus

import "fileassay/extract"

// Sniff names the volumes that a volume header at the start of window speaks
// for: the one that begins 1024 bytes before it, and, as an alternate header,
// the one that ends 1024 bytes after its begin (TN1150, Volume Header). window
// is up to 4096 bytes of the image from at, all read.
func Sniff(window []byte, at int64) []extract.Candidate {
	h, err := parseHeader(window)
	if err != nil {
		return nil
	}
	var out []extract.Candidate
	if start := at - headerOffset; start >= 0 {
		out = append(out, extract.Candidate{Start: start, Length: h.bytes(), Filesystem: h.name(), From: "volume header", At: at})
	}
	if start := at + alternateOffset - h.bytes(); start >= 0 {
		out = append(out, extract.Candidate{Start: start, Length: h.bytes(), Filesystem: h.name(), From: "alternate volume header", At: at})
	}
	return out
}

// name is the filesystem's name as in [extract.Info].
func (h *volumeHeader) name() string {
	if h.hfsx {
		return "hfsx"
	}
	return "hfsplus"
}

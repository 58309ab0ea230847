package hfsplus

import (
	"errors"

	"fileassay/extract"
)

// Sniff names the volumes that a volume header at the start of window speaks
// for: the one that begins 1024 bytes before it, and, as an alternate header,
// the one that ends 1024 bytes after its begin (TN1150, Volume Header). The
// place of a volume need be no multiple of its allocation blocks, and what is
// left over stands at its end, so an alternate header leaves open by less than
// a block where its volume begins. window is up to 4096 bytes of the image from
// at, all read.
func Sniff(window []byte, at int64) []extract.Candidate {
	h, err := parseHeader(window)
	if err != nil {
		return nil
	}
	var out []extract.Candidate
	if start := at - headerOffset; start >= 0 {
		out = append(out, extract.Candidate{Start: start, Length: h.bytes(), Filesystem: h.name(), From: "volume header", At: at})
	}
	for slack := int64(0); slack < min(h.blockSize, maxSlack); slack += minNode {
		if start := at + alternateOffset - h.bytes() - slack; start >= 0 {
			out = append(out, extract.Candidate{Start: start, Length: h.bytes() + slack, Filesystem: h.name(), From: "alternate volume header", At: at})
		}
	}
	return out
}

// maxSlack bounds how much may be left over behind the last allocation block.
const maxSlack = 64 << 10

// placed tells by the header nodes of the B-trees whether a volume that the
// alternate header alone speaks for begins where it is taken to. One that
// stands in its place is proof. Where none does, a place that leaves sectors
// over at its end is refused, since another begin would serve as well; one that
// leaves none is borne out by its size.
func (v *Volume) placed() error {
	if !v.alternate || v.length <= v.header.bytes() {
		return nil
	}
	for _, f := range []*forkData{&v.header.extents, &v.header.catalog, &v.header.attributeFile} {
		if f.size == 0 || f.runs[0].count == 0 {
			continue
		}
		var head [minNode]byte
		if _, err := v.src.r.ReadAt(head[:], v.start+int64(f.runs[0].start)*v.header.blockSize); err != nil {
			continue
		}
		if _, err := parseTreeHeader(head[:]); err == nil {
			return nil
		}
	}
	return errors.New("only the alternate volume header speaks for it, and no B-tree header stands where that has one")
}

// name is the filesystem's name as in [extract.Info].
func (h *volumeHeader) name() string {
	if h.hfsx {
		return "hfsx"
	}
	return "hfsplus"
}

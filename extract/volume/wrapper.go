package volume

import (
	"encoding/binary"

	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// masterBlock is what a master directory block of an HFS volume says of an
// HFS+ volume embedded in it. Apple Technical Note TN1150, "HFS Wrapper";
// Inside Macintosh: Files, "Master Directory Blocks". Big-endian.
type masterBlock struct {
	BlockSize  uint32 // offset 20: drAlBlkSiz, bytes of an allocation block
	FirstBlock uint16 // offset 28: drAlBlSt, of the first of them, in 512-byte blocks
	EmbedStart uint16 // offset 126: drEmbedExtent.startBlock
	EmbedCount uint16 // offset 128: drEmbedExtent.blockCount
}

const (
	masterBlockAt   = 1024 // from the volume's start, and as far before its end
	masterBlockSize = 162
	hfsSignature    = "BD" // drSigWord
	embedSignature  = "H+" // drEmbedSigWord, offset 124
)

// parseMasterBlock decodes the block; ok is false unless it is one of a wrapper.
func parseMasterBlock(b []byte) (m masterBlock, ok bool) {
	if len(b) < masterBlockSize || string(b[:2]) != hfsSignature || string(b[124:126]) != embedSignature {
		return m, false
	}
	be := binary.BigEndian
	m = masterBlock{
		BlockSize:  be.Uint32(b[20:]),
		FirstBlock: be.Uint16(b[28:]),
		EmbedStart: be.Uint16(b[126:]),
		EmbedCount: be.Uint16(b[128:]),
	}
	return m, m.BlockSize > 0 && m.BlockSize%512 == 0 && m.EmbedCount > 0
}

// embedded is where the embedded volume lies in a wrapper at start.
func (m *masterBlock) embedded(start int64) ranges.Range {
	from := start + int64(m.FirstBlock)*512 + int64(m.EmbedStart)*int64(m.BlockSize)
	return ranges.Range{Start: from, End: from + int64(m.EmbedCount)*int64(m.BlockSize)}
}

// wrapped is where an HFS+ volume lies that is embedded in an HFS one at
// [start, start+length), by the wrapper's master block or its alternate.
func wrapped(r *image.Reader, start, length int64) (in ranges.Range, ok bool) {
	buf := make([]byte, masterBlockSize)
	for _, at := range []int64{start + masterBlockAt, start + length/512*512 - masterBlockAt} {
		if at < start {
			continue
		}
		if _, err := r.ReadAt(buf, at); err != nil {
			continue
		}
		m, ok := parseMasterBlock(buf)
		if !ok {
			continue
		}
		if in := m.embedded(start); in.Start > start && in.End <= start+length {
			return in, true
		}
	}
	return ranges.Range{}, false
}

package ext

import (
	"encoding/binary"
	"slices"

	"fileassay/extract/imap"
)

// gap is a part of a buffer that was not read: [start, end) in bytes of it.
type gap struct{ start, end int64 }

// gaps are the unread parts of a buffer, in order.
type gaps []gap

// touches reports whether any byte of [off, off+n) was not read.
func (g gaps) touches(off, n int64) bool {
	for _, x := range g {
		if x.start < off+n && x.end > off {
			return true
		}
	}
	return false
}

// within are the gaps of [off, off+n), counted from off.
func (g gaps) within(off, n int64) gaps {
	var out gaps
	for _, x := range g {
		if a, z := max(x.start, off), min(x.end, off+n); a < z {
			out = append(out, gap{a - off, z - off})
		}
	}
	return out
}

// toGaps turns unread ranges of the image into those of a buffer read from at.
func toGaps(unread []imap.Range, at int64) gaps {
	if unread == nil {
		return nil
	}
	out := make(gaps, len(unread))
	for i, u := range unread {
		out[i] = gap{u.Start - at, u.End() - at}
	}
	return out
}

// blockOffset is where a block lies in the image: in its place, or in the
// journal where that holds a newer version.
func (v *Volume) blockOffset(block uint64) int64 {
	if c, ok := v.overlay[block]; ok {
		return c.at
	}
	return v.start + int64(block)*v.bs
}

// overlaid are the numbers of the blocks in [block, block+n) that the journal
// holds a newer version of, in order.
func (v *Volume) overlaid(block, n uint64) []uint64 {
	if len(v.overlayKeys) == 0 {
		return nil
	}
	i, _ := slices.BinarySearch(v.overlayKeys, block)
	j, _ := slices.BinarySearch(v.overlayKeys, block+n)
	return v.overlayKeys[i:j]
}

// readBlockReadable reads what was read of a block, in its newest version,
// with zeros for the rest, and returns what was not read.
func (v *Volume) readBlockReadable(buf []byte, block uint64) gaps {
	buf = buf[:v.bs]
	if block >= v.sb.Blocks {
		clear(buf)
		return gaps{{0, v.bs}}
	}
	c, newer := v.overlay[block]
	if newer && c.bad {
		clear(buf)
		return gaps{{0, v.bs}}
	}
	at := v.blockOffset(block)
	unread := toGaps(v.r.ReadReadable(buf, at), at)
	if newer && c.escaped && !unread.touches(0, 4) {
		binary.BigEndian.PutUint32(buf, journalMagic)
	}
	return unread
}

// readBlocksReadable is readBlockReadable for as many blocks as buf holds.
func (v *Volume) readBlocksReadable(buf []byte, block uint64) gaps {
	n := uint64(int64(len(buf)) / v.bs)
	if block < v.sb.Blocks && n <= v.sb.Blocks-block && len(v.overlaid(block, n)) == 0 {
		at := v.start + int64(block)*v.bs
		return toGaps(v.r.ReadReadable(buf[:int64(n)*v.bs], at), at)
	}
	var out gaps
	for i := range n {
		off := int64(i) * v.bs
		for _, g := range v.readBlockReadable(buf[off:off+v.bs], block+i) {
			g.start, g.end = g.start+off, g.end+off
			if k := len(out); k > 0 && out[k-1].end == g.start {
				out[k-1].end = g.end
			} else {
				out = append(out, g)
			}
		}
	}
	return out
}

// place is where byte off of a block lies in the image; ok is false where it
// does not stand there as it is.
func (v *Volume) place(block uint64, off int64) (at int64, ok bool) {
	if c, newer := v.overlay[block]; newer {
		return c.at + off, !c.bad && !(c.escaped && off < 4)
	}
	return v.start + int64(block)*v.bs + off, true
}

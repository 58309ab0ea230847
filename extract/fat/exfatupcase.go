package fat

import "encoding/binary"

// upcase is the table that maps units of names to upper case. Section 7.2.
// It has a unit for each; what lies past its end maps to itself.
type upcase []uint16

// maxUpcase is the most bytes a table needs: one mapping for each unit.
const maxUpcase = 2 << 16

// unit is u in upper case.
func (up upcase) unit(u uint16) uint16 {
	if int(u) < len(up) {
		return up[u]
	}
	return u
}

// parseUpcase expands a table; FFFF and a count stand for as many units that
// map to themselves. Section 7.2.5.
func parseUpcase(b []byte) upcase {
	up := make(upcase, 0, 0x600)
	for i := 0; i+2 <= len(b) && len(up) < 1<<16; i += 2 {
		v := binary.LittleEndian.Uint16(b[i:])
		if v != 0xFFFF || i+4 > len(b) {
			up = append(up, v)
			continue
		}
		i += 2
		for n := binary.LittleEndian.Uint16(b[i:]); n > 0 && len(up) < 1<<16; n-- {
			up = append(up, uint16(len(up)))
		}
	}
	return up
}

// tableChecksum is the checksum of an up-case table. Section 7.2.2, figure 3.
func tableChecksum(b []byte) uint32 {
	var sum uint32
	for _, c := range b {
		sum = (sum<<31 | sum>>1) + uint32(c)
	}
	return sum
}

// findUpcase takes the up-case table from the root, if its checksum fits: by
// the allocation table, else in a row.
func (d *exfatFormat) findUpcase(l *layout) {
	p := d.upAt
	if p == nil || p.Length == 0 || p.Length > maxUpcase {
		return
	}
	n := int64(p.Length)
	d.upParts = l.lay(p.First, n, false)
	for _, inRow := range []bool{false, true} {
		parts := l.lay(p.First, n, inRow)
		if b := l.readParts(parts, make([]byte, n), 0); b.Whole() && tableChecksum(b.Data) == p.Checksum {
			d.upParts, d.upcase = parts, parseUpcase(b.Data)
			return
		}
	}
}

package fat

import "encoding/binary"

// upcase is the table that maps units of names to upper case. Section 7.2.
type upcase struct {
	to []uint16 // by unit; what lies past it maps to itself
}

// maxUpcase is the most bytes a table needs: one mapping for each unit.
const maxUpcase = 2 << 16

// unit is u in upper case.
func (up *upcase) unit(u uint16) uint16 {
	if int(u) < len(up.to) {
		return up.to[u]
	}
	return u
}

// parseUpcase expands a table; FFFF and a count stand for as many units that
// map to themselves. Section 7.2.5.
func parseUpcase(b []byte) *upcase {
	up := &upcase{to: make([]uint16, 0, 0x600)}
	for i := 0; i+2 <= len(b) && len(up.to) < 1<<16; i += 2 {
		v := binary.LittleEndian.Uint16(b[i:])
		if v != 0xFFFF || i+4 > len(b) {
			up.to = append(up.to, v)
			continue
		}
		i += 2
		for n := binary.LittleEndian.Uint16(b[i:]); n > 0 && len(up.to) < 1<<16; n-- {
			up.to = append(up.to, uint16(len(up.to)))
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
	for _, p := range d.tables {
		n := int64(min(p.Length, maxUpcase+1))
		if n == 0 || n > maxUpcase {
			continue
		}
		d.upParts = l.lay(p.First, n, false)
		for _, inRow := range []bool{false, true} {
			parts := l.lay(p.First, n, inRow)
			if b := l.readParts(parts, make([]byte, n), 0); b.Whole() && tableChecksum(b.Data) == p.Checksum {
				d.upParts, d.upcase = parts, parseUpcase(b.Data)
				return
			}
		}
	}
}

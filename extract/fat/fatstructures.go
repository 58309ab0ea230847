package fat

import (
	"bytes"
	"encoding/binary"
	"fmt"

	"fileassay/extract"
)

// structures is for [format].
func (d *fatFormat) structures(l *layout, n count) []extract.Structure {
	var list []extract.Structure
	sector := d.boot.SectorSize
	part := func(name string, at, size int64) *extract.Structure {
		list = append(list, structureOf(l.r, name, extract.Extent{Image: l.start + at, Length: size}))
		return &list[len(list)-1]
	}
	boot := part("boot sector", 0, sector)
	if boot.Health == extract.HealthRead && d.source != fromBoot {
		boot.Health = extract.HealthDamaged
	}
	if d.boot.Width == width28 {
		if d.boot.InfoSector > 0 && d.boot.InfoSector < d.boot.TableSector {
			info := part("free space record", d.boot.InfoSector*sector, sector)
			b := make([]byte, bootSectorSize)
			if _, err := l.r.ReadAt(b, info.Image); err == nil && !infoSector(b) {
				info.Health = extract.HealthDamaged
			}
		}
		if at := d.boot.BackupSector; at > 0 && at < d.boot.TableSector {
			copyHealth(l, part("copy of the boot sector", at*sector, sector))
		}
	}
	for i := range d.boot.Tables {
		t := part(fmt.Sprintf("allocation table %d", i+1), d.boot.tableAt(i), d.boot.tableBytes())
		if i == 1 && n.Disagree > 0 {
			if t.Health == extract.HealthRead {
				t.Health = extract.HealthDisagrees
			}
			t.Note = fmt.Sprintf("%d entries differ from the first copy", n.Disagree)
		}
		if i == 0 && n.Unread > 0 {
			t.Note = fmt.Sprintf("%d entries are unread in every copy", n.Unread)
		}
	}
	return list
}

// copyHealth compares the copy of the boot sector with the boot sector.
func copyHealth(l *layout, s *extract.Structure) {
	a, b := make([]byte, bootSectorSize), make([]byte, bootSectorSize)
	if _, err := l.r.ReadAt(b, s.Image); err != nil {
		return
	}
	if _, err := parseFATBoot(b); err != nil {
		s.Health = extract.HealthDamaged
		return
	}
	// the bytes up to 90 are parameters; byte 65 holds flags that change
	if _, err := l.r.ReadAt(a, l.start); err == nil && !(bytes.Equal(a[:65], b[:65]) && bytes.Equal(a[66:90], b[66:90])) {
		s.Health = extract.HealthDisagrees
	}
}

// infoSector reports whether b bears the signatures of the FSInfo sector.
// Overview, "FAT32 FSInfo Sector Structure".
func infoSector(b []byte) bool {
	le := binary.LittleEndian
	return le.Uint32(b) == 0x41615252 && le.Uint32(b[484:]) == 0x61417272 && le.Uint32(b[508:]) == 0xAA550000
}

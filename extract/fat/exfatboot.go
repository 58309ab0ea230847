package fat

import (
	"encoding/binary"
	"errors"
	"fmt"

	"fileassay/extract"
)

// exfatBoot is the main or backup boot sector. Section 3.1.
type exfatBoot struct {
	area
	Revision uint16 // offset 104
	Flags    uint16 // offset 106: bit 0 the active table, 1 dirty, 2 media failure
}

const (
	regionSectors    = 12 // of a boot region
	checkedSectors   = 11 // that the twelfth has the checksum of
	maxExFATClusters = 0xFFFFFFF5
	flagActive       = 1
	flagDirty        = 2
	flagFailed       = 4
)

var errNoExFATBoot = errors.New("no exFAT boot sector")

// parseExFATBoot decodes and checks the boot sector in the first 512 bytes of b.
// Section 3.1 gives the valid range of each field.
func parseExFATBoot(b []byte) (exfatBoot, error) {
	var s exfatBoot
	if len(b) < bootSectorSize || string(b[3:11]) != "EXFAT   " {
		return s, errNoExFATBoot
	}
	if b[510] != 0x55 || b[511] != 0xAA {
		return s, fmt.Errorf("%w: it does not end in the signature 55 AA", errNoExFATBoot)
	}
	for _, c := range b[11:64] { // 3.1.3 MustBeZero
		if c != 0 {
			return s, fmt.Errorf("%w: its bytes 11 to 63 are not zero", errNoExFATBoot)
		}
	}
	le := binary.LittleEndian
	sectorShift, clusterShift := b[108], b[109]
	if sectorShift < 9 || sectorShift > 12 || clusterShift > 25-sectorShift {
		return s, fmt.Errorf("%w: a sector of 2^%d bytes and a cluster of 2^%d sectors", errNoExFATBoot, sectorShift, clusterShift)
	}
	s = exfatBoot{
		area: area{
			SectorSize:   1 << sectorShift,
			ClusterSize:  1 << (sectorShift + clusterShift),
			TableSector:  int64(le.Uint32(b[80:])),
			TableSectors: int64(le.Uint32(b[84:])),
			Tables:       int64(b[110]),
			HeapSector:   int64(le.Uint32(b[88:])),
			Clusters:     le.Uint32(b[92:]),
			RootCluster:  le.Uint32(b[96:]),
			Width:        widthExFAT,
			Serial:       fmt.Sprintf("%08x", le.Uint32(b[100:])),
		},
		Revision: le.Uint16(b[104:]),
		Flags:    le.Uint16(b[106:]),
	}
	sectors := le.Uint64(b[72:])
	if sectors > 1<<61>>sectorShift {
		return s, fmt.Errorf("%w: %d sectors", errNoExFATBoot, sectors)
	}
	s.Sectors = int64(sectors)
	switch {
	case s.Revision>>8 != 1:
		return s, fmt.Errorf("%w: revision %d.%02d", errNoExFATBoot, s.Revision>>8, s.Revision&0xFF)
	case s.Tables != 1 && s.Tables != 2:
		return s, fmt.Errorf("%w: %d tables", errNoExFATBoot, s.Tables)
	case s.TableSector < 2*regionSectors:
		return s, fmt.Errorf("%w: a table at sector %d", errNoExFATBoot, s.TableSector)
	case s.HeapSector < s.TableSector+s.Tables*s.TableSectors:
		return s, fmt.Errorf("%w: clusters from sector %d, inside the table", errNoExFATBoot, s.HeapSector)
	case s.Clusters == 0 || s.Clusters > maxExFATClusters:
		return s, fmt.Errorf("%w: %d clusters", errNoExFATBoot, s.Clusters)
	case s.HeapSector+int64(s.Clusters)*(s.ClusterSize/s.SectorSize) > s.Sectors:
		return s, fmt.Errorf("%w: %d clusters in %d sectors", errNoExFATBoot, s.Clusters, s.Sectors)
	case (int64(s.Clusters)+firstCluster)*4 > s.TableSectors*s.SectorSize:
		return s, fmt.Errorf("%w: a table of %d sectors for %d clusters", errNoExFATBoot, s.TableSectors, s.Clusters)
	case !s.hasRoot():
		return s, fmt.Errorf("%w: a root in cluster %d of %d", errNoExFATBoot, s.RootCluster, s.Clusters)
	}
	return s, nil
}

// bitmapBytes is the size of the allocation bitmap, bytes. Section 7.1.4.
func (s *exfatBoot) bitmapBytes() int64 { return (int64(s.Clusters) + 7) / 8 }

// sameVolume reports whether two boot sectors describe the same volume: all
// but the flags, which change.
func (s exfatBoot) sameVolume(o exfatBoot) bool {
	s.Flags, o.Flags = 0, 0
	return s == o
}

// bootChecksum is the checksum of the first eleven sectors of a boot region;
// the flags and the use in per cent are left out. Section 3.4, figure 1.
func bootChecksum(region []byte) uint32 {
	var sum uint32
	for i, c := range region {
		if i == 106 || i == 107 || i == 112 {
			continue
		}
		sum = sum<<31 | sum>>1
		sum += uint32(c)
	}
	return sum
}

// checkRegion reports whether the twelfth sector of a boot region holds the
// checksum of the others, over and over.
func checkRegion(region []byte, sector int64) bool {
	if int64(len(region)) < regionSectors*sector {
		return false
	}
	sum := bootChecksum(region[:checkedSectors*sector])
	last := region[checkedSectors*sector : regionSectors*sector]
	for i := 0; i+4 <= len(last); i += 4 {
		if binary.LittleEndian.Uint32(last[i:]) != sum {
			return false
		}
	}
	return true
}

// SniffExFAT names the volumes that the sector at the start of window speaks for:
// as their boot sector, or as the backup of it at sector 12. window is up to
// 4096 bytes of the image from at, all read.
func SniffExFAT(window []byte, at int64) []extract.Candidate {
	s, err := parseExFATBoot(window)
	if err != nil {
		return nil
	}
	return s.candidates("exfat", at, regionSectors)
}

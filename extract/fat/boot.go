package fat

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math/bits"
	"strings"

	"fileassay/extract/chain"
)

// bootSector is the boot sector of a FAT volume with its parameter block.
// Overview, "Boot Sector and BPB".
type bootSector struct {
	SectorSize    int64  // offset 11: 512 to 4096
	ClusterSize   int64  // offset 13, in sectors there; bytes here
	Reserved      int64  // offset 14: sectors before the first table
	Tables        int64  // offset 16: copies of the table
	RootEntries   int64  // offset 17: slots of the fixed root; 0 on FAT32
	Sectors       int64  // offset 19, or 32: of the volume
	Media         byte   // offset 21: stands in the table's first entry too
	TableSectors  int64  // offset 22, or 36: of one copy
	Flags         uint16 // offset 40, FAT32: which copy is in use
	RootCluster   uint32 // offset 44, FAT32
	InfoSector    int64  // offset 48, FAT32
	BackupSector  int64  // offset 50, FAT32
	Serial        uint32 // offset 39 or 67; 0 where not given
	Label         string // offset 43 or 71; "" where not given
	Width         chain.Width
	Clusters      uint32 // by count, of which the type follows
	RootSectors   int64
	DataSector    int64 // first sector of cluster 2
	FAT32Form     bool  // the parameter block is laid out as FAT32's
	statedSectors int64 // as the field says
}

const (
	bootSectorSize = 512 // that are defined, whatever the sector size
	backupSector   = 6   // where the Overview wants the copy, and everyone puts it
)

// The counts of clusters at which the types begin. Overview, "FAT Type
// Determination".
const (
	leastFAT16 = 4085
	leastFAT32 = 65525
)

var errNoBootSector = errors.New("no FAT boot sector")

// parseBoot decodes and checks the boot sector in the first 512 bytes of b.
func parseBoot(b []byte) (bootSector, error) {
	var s bootSector
	if len(b) < bootSectorSize {
		return s, errNoBootSector
	}
	le := binary.LittleEndian
	if b[510] != 0x55 || b[511] != 0xAA {
		return s, fmt.Errorf("%w: it does not end in the signature 55 AA", errNoBootSector)
	}
	s.SectorSize = int64(le.Uint16(b[11:]))
	if s.SectorSize < 512 || s.SectorSize > 4096 || bits.OnesCount64(uint64(s.SectorSize)) != 1 {
		return s, fmt.Errorf("%w: a sector of %d bytes", errNoBootSector, s.SectorSize)
	}
	spc := int64(b[13])
	if bits.OnesCount64(uint64(spc)) != 1 {
		return s, fmt.Errorf("%w: a cluster of %d sectors", errNoBootSector, spc)
	}
	s.ClusterSize = spc * s.SectorSize
	s.Reserved = int64(le.Uint16(b[14:]))
	s.Tables = int64(b[16])
	if s.Reserved == 0 || s.Tables == 0 || s.Tables > 4 {
		return s, fmt.Errorf("%w: %d reserved sectors and %d tables", errNoBootSector, s.Reserved, s.Tables)
	}
	s.RootEntries = int64(le.Uint16(b[17:]))
	s.Media = b[21]
	if s.Media < 0xF0 {
		return s, fmt.Errorf("%w: media byte %#x", errNoBootSector, s.Media)
	}
	s.Sectors = int64(le.Uint16(b[19:]))
	if s.Sectors == 0 {
		s.Sectors = int64(le.Uint32(b[32:]))
	}
	s.statedSectors = s.Sectors
	s.TableSectors = int64(le.Uint16(b[22:]))
	if s.TableSectors == 0 {
		s.FAT32Form = true
		s.TableSectors = int64(le.Uint32(b[36:]))
	}
	if s.TableSectors == 0 {
		return s, fmt.Errorf("%w: a table of no sectors", errNoBootSector)
	}
	s.RootSectors = (s.RootEntries*chain.SlotSize + s.SectorSize - 1) / s.SectorSize
	s.DataSector = s.Reserved + s.Tables*s.TableSectors + s.RootSectors
	if s.Sectors <= s.DataSector {
		return s, fmt.Errorf("%w: %d sectors, of which the tables take %d", errNoBootSector, s.Sectors, s.DataSector)
	}
	clusters := (s.Sectors - s.DataSector) / spc
	if clusters == 0 || clusters > 0x0FFFFFF5 {
		return s, fmt.Errorf("%w: %d clusters", errNoBootSector, clusters)
	}
	s.Clusters = uint32(clusters)
	s.Width = widthOf(s.Clusters)
	ext := 36
	if s.FAT32Form && s.RootEntries == 0 {
		// a parameter block of this form says FAT32 whatever the count: there
		// is no other root to be had
		s.Width = chain.Width28
		ext = 64
		s.Flags = le.Uint16(b[40:])
		s.RootCluster = le.Uint32(b[44:])
		s.InfoSector = int64(le.Uint16(b[48:]))
		s.BackupSector = int64(le.Uint16(b[50:]))
		if version := le.Uint16(b[42:]); version != 0 {
			return s, fmt.Errorf("%w: FAT32 version %#x", errNoBootSector, version)
		}
		if s.RootCluster < chain.FirstCluster || s.RootCluster-chain.FirstCluster >= s.Clusters {
			return s, fmt.Errorf("%w: a root in cluster %d of %d", errNoBootSector, s.RootCluster, s.Clusters)
		}
	} else if s.FAT32Form || s.RootEntries == 0 || s.Width == chain.Width28 {
		return s, fmt.Errorf("%w: %d clusters do not fit with %d slots of the root and the form of the parameter block", errNoBootSector, clusters, s.RootEntries)
	}
	s.fitTable()
	if b[ext+2] == 0x29 { // the extended signature: serial number and label follow
		s.Serial = le.Uint32(b[ext+3:])
		if label := strings.TrimRight(string(b[ext+7:ext+18]), " \x00"); label != "NO NAME" {
			s.Label = label
		}
	}
	return s, nil
}

func widthOf(clusters uint32) chain.Width {
	switch {
	case clusters < leastFAT16:
		return chain.Width12
	case clusters < leastFAT32:
		return chain.Width16
	}
	return chain.Width28
}

// fitTable leaves aside clusters that the table is too short for.
func (s *bootSector) fitTable() {
	bytes := s.TableSectors * s.SectorSize
	entries := bytes / 4
	switch s.Width {
	case chain.Width12:
		entries = bytes * 2 / 3
	case chain.Width16:
		entries = bytes / 2
	}
	s.Clusters = uint32(max(min(int64(s.Clusters), entries-chain.FirstCluster), 0))
}

// kind is the name of the filesystem.
func (s *bootSector) kind() string {
	switch s.Width {
	case chain.Width12:
		return "fat12"
	case chain.Width16:
		return "fat16"
	}
	return "fat32"
}

// mirrored reports whether all copies of the table are kept alike; if not,
// active is the one in use. Overview, BPB_ExtFlags.
func (s *bootSector) mirrored() (active int64, ok bool) {
	if s.Width != chain.Width28 || s.Flags&0x80 == 0 {
		return 0, true
	}
	return min(int64(s.Flags&0x0F), s.Tables-1), false
}

func (s *bootSector) length() int64     { return s.Sectors * s.SectorSize }
func (s *bootSector) tableBytes() int64 { return s.TableSectors * s.SectorSize }

// tableAt is where copy i of the table begins, from the volume's start.
func (s *bootSector) tableAt(i int64) int64 {
	return (s.Reserved + i*s.TableSectors) * s.SectorSize
}

// firstEntry reports whether b can be the beginning of a table of this
// volume: its first entry holds the media byte and ones. Overview, "FAT Data
// Structure".
func (s *bootSector) firstEntry(b []byte) bool {
	switch s.Width {
	case chain.Width12:
		return b[0] >= 0xF0 && b[1]&0x0F == 0x0F
	case chain.Width16:
		return b[0] >= 0xF0 && b[1] == 0xFF
	}
	return b[0] >= 0xF0 && b[1] == 0xFF && b[2] == 0xFF && b[3]&0x0F == 0x0F
}

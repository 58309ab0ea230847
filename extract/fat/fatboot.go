package fat

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math/bits"
	"strings"

	"fileassay/extract"
)

// fatBoot is the boot sector of a FAT volume with its parameter block.
// Overview, "Boot Sector and BPB".
type fatBoot struct {
	area
	RootEntries  int64  // offset 17: slots of the fixed root; 0 on FAT32
	Media        byte   // offset 21: the kind of drive
	Flags        uint16 // offset 40, FAT32: which copy is in use
	InfoSector   int64  // offset 48, FAT32
	BackupSector int64  // offset 50, FAT32
	Label        string // offset 43 or 71, in the code page; "" where not given
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

var errNoFATBoot = errors.New("no FAT boot sector")

// parseFATBoot decodes and checks the boot sector in the first 512 bytes of b.
func parseFATBoot(b []byte) (fatBoot, error) {
	var s fatBoot
	if len(b) < bootSectorSize {
		return s, errNoFATBoot
	}
	le := binary.LittleEndian
	if b[510] != 0x55 || b[511] != 0xAA {
		return s, fmt.Errorf("%w: it does not end in the signature 55 AA", errNoFATBoot)
	}
	s.SectorSize = int64(le.Uint16(b[11:]))
	if s.SectorSize < 512 || s.SectorSize > 4096 || bits.OnesCount64(uint64(s.SectorSize)) != 1 {
		return s, fmt.Errorf("%w: a sector of %d bytes", errNoFATBoot, s.SectorSize)
	}
	spc := int64(b[13])
	if bits.OnesCount64(uint64(spc)) != 1 {
		return s, fmt.Errorf("%w: a cluster of %d sectors", errNoFATBoot, spc)
	}
	s.ClusterSize = spc * s.SectorSize
	s.TableSector = int64(le.Uint16(b[14:]))
	s.Tables = int64(b[16])
	if s.TableSector == 0 || s.Tables == 0 || s.Tables > 4 {
		return s, fmt.Errorf("%w: %d reserved sectors and %d tables", errNoFATBoot, s.TableSector, s.Tables)
	}
	s.RootEntries = int64(le.Uint16(b[17:]))
	s.Media = b[21]
	if s.Media < 0xF0 { // it stands in the table's first entry too
		return s, fmt.Errorf("%w: media byte %#x", errNoFATBoot, s.Media)
	}
	s.Sectors = int64(le.Uint16(b[19:]))
	if s.Sectors == 0 {
		s.Sectors = int64(le.Uint32(b[32:]))
	}
	s.TableSectors = int64(le.Uint16(b[22:]))
	wide := s.TableSectors == 0 // the parameter block is laid out as FAT32's
	if wide {
		s.TableSectors = int64(le.Uint32(b[36:]))
	}
	if s.TableSectors == 0 {
		return s, fmt.Errorf("%w: a table of no sectors", errNoFATBoot)
	}
	root := (s.RootEntries*slotSize + s.SectorSize - 1) / s.SectorSize
	s.HeapSector = s.TableSector + s.Tables*s.TableSectors + root
	if s.Sectors <= s.HeapSector {
		return s, fmt.Errorf("%w: %d sectors, of which the tables take %d", errNoFATBoot, s.Sectors, s.HeapSector)
	}
	clusters := (s.Sectors - s.HeapSector) / spc
	if clusters == 0 || clusters > 0x0FFFFFF5 {
		return s, fmt.Errorf("%w: %d clusters", errNoFATBoot, clusters)
	}
	s.Clusters = uint32(clusters)
	switch {
	case clusters < leastFAT16:
		s.Width = width12
	case clusters < leastFAT32:
		s.Width = width16
	default:
		s.Width = width28
	}
	ext := 36
	if wide && s.RootEntries == 0 {
		// a parameter block of this form says FAT32 whatever the count: there
		// is no other root to be had
		s.Width = width28
		ext = 64
		s.Flags = le.Uint16(b[40:])
		s.RootCluster = le.Uint32(b[44:])
		s.InfoSector = int64(le.Uint16(b[48:]))
		s.BackupSector = int64(le.Uint16(b[50:]))
		if version := le.Uint16(b[42:]); version != 0 {
			return s, fmt.Errorf("%w: FAT32 version %#x", errNoFATBoot, version)
		}
		if !s.hasRoot() {
			return s, fmt.Errorf("%w: a root in cluster %d of %d", errNoFATBoot, s.RootCluster, s.Clusters)
		}
	} else if wide || s.RootEntries == 0 || s.Width == width28 {
		return s, fmt.Errorf("%w: %d clusters do not fit with %d slots of the root and the form of the parameter block", errNoFATBoot, clusters, s.RootEntries)
	}
	s.fitTable()
	if b[ext+2] == 0x28 || b[ext+2] == 0x29 { // the extended signature: a serial number follows
		s.Serial = fmt.Sprintf("%08x", le.Uint32(b[ext+3:]))
	}
	if b[ext+2] == 0x29 { // and the label
		if label := strings.TrimRight(string(b[ext+7:ext+18]), " \x00"); label != "NO NAME" {
			s.Label = label
		}
	}
	return s, nil
}

// fitTable leaves aside clusters that the table is too short for.
func (s *fatBoot) fitTable() {
	f := form{width: s.Width}
	s.Clusters = uint32(max(min(int64(s.Clusters), f.fits(s.tableBytes())), 0))
}

// kind is the name of the filesystem.
func (s *fatBoot) kind() string { return fmt.Sprintf("fat%d", form{width: s.Width}.bits()) }

// copies are the copies of the table that are in use: all are kept alike, or one
// alone is. Overview, BPB_ExtFlags.
func (s *fatBoot) copies() (list []int64, all bool) {
	if s.Width == width28 && s.Flags&0x80 != 0 {
		return []int64{min(int64(s.Flags&0x0F), s.Tables-1)}, false
	}
	return s.allCopies(), true
}

// allCopies are the numbers of the copies: four at the most.
func (s *fatBoot) allCopies() []int64 { return []int64{0, 1, 2, 3}[:s.Tables] }

// Sniff names the volumes that the sector at the start of window speaks for:
// as their boot sector, or on FAT32 as the copy of it. window is up to 4096
// bytes of the image from at, all read.
func Sniff(window []byte, at int64) []extract.Candidate {
	s, err := parseFATBoot(window)
	if err != nil || !plausibleJump(window) {
		return nil
	}
	backup := int64(0)
	if s.Width == width28 && s.BackupSector < s.TableSector {
		backup = s.BackupSector
	}
	return s.candidates(s.kind(), at, backup)
}

// plausibleJump reports whether a boot sector begins with a jump. Overview,
// BS_jmpBoot; it is asked only where nothing but the sector itself says that a
// volume begins there.
func plausibleJump(b []byte) bool {
	return b[0] == 0xEB && b[2] == 0x90 || b[0] == 0xE9
}

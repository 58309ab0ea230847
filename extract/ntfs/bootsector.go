package ntfs

import (
	"encoding/binary"
	"fmt"
)

var le = binary.LittleEndian

// BootSector is the first sector of a volume, and its copy in the last
// [docs: files/boot.html].
type BootSector struct {
	SectorSize   int64 // bytes
	ClusterSize  int64 // bytes
	TotalSectors int64 // of the volume, without the copy of the boot sector
	MFT          int64 // first cluster of the file table
	MFTMirror    int64 // first cluster of the table's mirror
	RecordSize   int64 // bytes of a record of the file table
	IndexSize    int64 // bytes of an index block
	Serial       uint64
}

// Offsets in a boot sector.
const (
	bootOEM            = 0x03 // 8 bytes, "NTFS    "
	bootSectorSize     = 0x0b // uint16
	bootClusterSectors = 0x0d // uint8: sectors a cluster, or 256-n for 2^n
	bootTotalSectors   = 0x28 // uint64
	bootMFT            = 0x30 // uint64
	bootMFTMirror      = 0x38 // uint64
	bootRecordSize     = 0x40 // int8: clusters, or -n for 2^n bytes
	bootIndexSize      = 0x44 // int8: likewise
	bootSerial         = 0x48 // uint64
	bootSignature      = 0x1fe
)

// Limits of what is taken for a boot sector.
const (
	minSectorSize  = 256
	maxSectorSize  = 4096
	minClusterSize = 256
	maxClusterSize = 2 << 20
	maxRecordSize  = 32 << 10 // 64 strides, which a uint64 has bits for
	maxIndexSize   = 32 << 10
)

// parseBootSector decodes the first 512 bytes of a boot sector.
func parseBootSector(b []byte) (BootSector, error) {
	var s BootSector
	if len(b) < 512 {
		return s, fmt.Errorf("boot sector of %d bytes is too short", len(b))
	}
	if string(b[bootOEM:bootOEM+8]) != "NTFS    " {
		return s, fmt.Errorf("boot sector names %q, not NTFS", b[bootOEM:bootOEM+8])
	}
	if b[bootSignature] != 0x55 || b[bootSignature+1] != 0xaa {
		return s, fmt.Errorf("boot sector ends in %x, not 55aa", b[bootSignature:bootSignature+2])
	}
	s.SectorSize = int64(le.Uint16(b[bootSectorSize:]))
	if !powerOfTwo(s.SectorSize) || s.SectorSize < minSectorSize || s.SectorSize > maxSectorSize {
		return s, fmt.Errorf("boot sector states sectors of %d bytes", s.SectorSize)
	}
	sectors := int64(b[bootClusterSectors])
	if sectors > 0x80 {
		if sectors < 256-12 {
			return s, fmt.Errorf("boot sector states a cluster shift of %d", 256-sectors)
		}
		sectors = 1 << (256 - sectors) // clusters over 64 KiB
	}
	s.ClusterSize = sectors * s.SectorSize
	if !powerOfTwo(s.ClusterSize) || s.ClusterSize < minClusterSize || s.ClusterSize > maxClusterSize {
		return s, fmt.Errorf("boot sector states clusters of %d sectors", sectors)
	}
	total := le.Uint64(b[bootTotalSectors:])
	if total == 0 || total > (1<<61)/uint64(s.SectorSize) {
		return s, fmt.Errorf("boot sector states %d sectors", total)
	}
	s.TotalSectors = int64(total)
	clusters := uint64(s.TotalSectors * s.SectorSize / s.ClusterSize)
	mft, mirror := le.Uint64(b[bootMFT:]), le.Uint64(b[bootMFTMirror:])
	if mft >= clusters || mirror >= clusters {
		return s, fmt.Errorf("boot sector puts the file table at cluster %d and its mirror at %d of %d", mft, mirror, clusters)
	}
	s.MFT, s.MFTMirror = int64(mft), int64(mirror)
	s.RecordSize = sizeField(b[bootRecordSize], s.ClusterSize)
	if !powerOfTwo(s.RecordSize) || s.RecordSize < 512 || s.RecordSize > maxRecordSize {
		return s, fmt.Errorf("boot sector states a record size of %#x", b[bootRecordSize])
	}
	s.IndexSize = sizeField(b[bootIndexSize], s.ClusterSize)
	if !powerOfTwo(s.IndexSize) || s.IndexSize < 512 || s.IndexSize > maxIndexSize {
		return s, fmt.Errorf("boot sector states an index block size of %#x", b[bootIndexSize])
	}
	s.Serial = le.Uint64(b[bootSerial:])
	return s, nil
}

// id is the volume's serial number in hexadecimal, "" if it has none.
func (s BootSector) id() string {
	if s.Serial == 0 {
		return ""
	}
	return fmt.Sprintf("%016x", s.Serial)
}

// sizeField decodes a size that is stated in clusters where positive, and as
// a power of two of bytes where negative. 0 means it makes no sense.
func sizeField(v byte, cluster int64) int64 {
	n := int8(v)
	switch {
	case n > 0:
		return int64(n) * cluster
	case n < -31 || n == 0:
		return 0
	}
	return 1 << -n
}

// length is the volume's bytes, the copy of the boot sector included.
func (s BootSector) length() int64 { return (s.TotalSectors + 1) * s.SectorSize }

// clusters is the number of whole clusters of the volume.
func (s BootSector) clusters() int64 { return s.TotalSectors * s.SectorSize / s.ClusterSize }

func powerOfTwo(n int64) bool { return n > 0 && n&(n-1) == 0 }

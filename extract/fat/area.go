package fat

import (
	"iter"

	"fileassay/extract"
)

// area says in which sectors of a volume its parts lie, as the boot sector states
// it. The offsets are those of FAT's and of exFAT's boot sector.
type area struct {
	SectorSize   int64  // bytes: 11, 512 to 4096; 108, as a shift
	ClusterSize  int64  // bytes: 13, in sectors there; 109, as a shift of sectors
	Sectors      int64  // of the volume: 19 or 32; 72, VolumeLength
	TableSector  int64  // the first of the table: 14, sectors before it; 80, FatOffset
	TableSectors int64  // of one copy: 22 or 36; 84, FatLength
	Tables       int64  // copies: 16; 110, NumberOfFats
	HeapSector   int64  // the first of cluster 2: behind tables and root; 88, ClusterHeapOffset
	Clusters     uint32 // as many as there is room for; 92, ClusterCount
	RootCluster  uint32 // 44, FAT32; 96, FirstClusterOfRootDirectory
	Width        width
	Serial       string // the volume's serial number in hexadecimal, "" if it has none: 39 or 67; 100
}

func (a *area) length() int64     { return a.Sectors * a.SectorSize }
func (a *area) tableBytes() int64 { return a.TableSectors * a.SectorSize }

// tableAt is where copy i of the table begins, from the volume's start.
func (a *area) tableAt(i int64) int64 {
	return (a.TableSector + i*a.TableSectors) * a.SectorSize
}

// hasRoot reports whether the root stands in one of the clusters.
func (a *area) hasRoot() bool {
	return a.RootCluster >= firstCluster && a.RootCluster-firstCluster < a.Clusters
}

// candidates are the volumes that a boot sector at an image offset speaks for: as
// the first sector of one, or as its copy at sector backup, if not 0.
func (a *area) candidates(filesystem string, at, backup int64) []extract.Candidate {
	list := []extract.Candidate{{Start: at, Length: a.length(), Filesystem: filesystem, From: "boot sector", At: at, ID: a.Serial}}
	if start := at - backup*a.SectorSize; backup > 0 && start >= 0 {
		list = append(list, extract.Candidate{Start: start, Length: a.length(), Filesystem: filesystem, From: "backup boot sector", At: at, ID: a.Serial})
	}
	return list
}

// Copies are the places in the image where the copy of the boot sector may stand
// of a FAT32 volume that begins at start and has up to length bytes: sector 6, in
// each size of sectors. FAT12 and FAT16 have none. Overview, BPB_BkBootSec ("no
// value other than 6 is recommended").
func Copies(start, length int64) iter.Seq[int64] { return inSector(backupSector, start, length) }

// CopiesExFAT are the places in the image where the backup of the boot sector may
// stand of an exFAT volume that begins at start and has up to length bytes: sector
// 12, in each size of sectors. Section 3.2.
func CopiesExFAT(start, length int64) iter.Seq[int64] { return inSector(regionSectors, start, length) }

// inSector are the places of sector n of a volume, in each size of sectors;
// length 0 is not known.
func inSector(n, start, length int64) iter.Seq[int64] {
	return func(yield func(int64) bool) {
		for size := int64(512); size <= 4096; size *= 2 {
			if length > 0 && (n+1)*size > length || !yield(start+n*size) {
				return
			}
		}
	}
}

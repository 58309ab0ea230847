package ext

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"time"
)

// Inode flags. ext4: inodes, "i_flags".
const (
	inodeEncrypt    = 0x800
	inodeIndex      = 0x1000
	inodeHugeFile   = 0x40000
	inodeExtents    = 0x80000
	inodeVerity     = 0x100000
	inodeEAInode    = 0x200000
	inodeInlineData = 0x10000000
	inodeCasefold   = 0x40000000
)

// File types in i_mode. ext4: inodes, "i_mode".
const (
	modeType   = 0xF000
	modeFIFO   = 0x1000
	modeChar   = 0x2000
	modeFolder = 0x4000
	modeBlock  = 0x6000
	modeFile   = 0x8000
	modeLink   = 0xA000
	modeSocket = 0xC000

	modeRun = 0o100 // S_IXUSR: the owner may execute it
)

// Inodes with a meaning of their own. ext4: special_inodes.
const (
	badBlocksInode = 1
	rootInode      = 2
	resizeInode    = 7
)

const (
	goodOldInodeSize = 128 // ext4: inodes, "Inode Size"
	iBlockAt         = 0x28
	iBlockSize       = 60
)

// inode is an inode. ext4: inodes, "struct ext4_inode".
type inode struct {
	Number     uint32
	Mode       uint16
	Links      uint16
	Size       int64 // i_size_lo and, where it counts, i_size_high
	Flags      uint32
	Sectors    uint64 // i_blocks in units of 512 bytes
	Generation uint32
	FileACL    uint64 // the block of extended attributes
	Block      [iBlockSize]byte
	Modified   time.Time
	Deleted    uint32 // when it was; of an orphan, the next one's number
	ExtraSize  uint16 // bytes of the inode past 128 that are in use
	Seed       uint32 // for checksums of what belongs to it

	raw []byte // the whole record; valid as long as the buffer it was read to
}

func (n *inode) kind() uint16 { return n.Mode & modeType }

// isFolder and its like tell what the inode is.
func (n *inode) isFolder() bool { return n.kind() == modeFolder }
func (n *inode) isFile() bool   { return n.kind() == modeFile }
func (n *inode) isLink() bool   { return n.kind() == modeLink }

// asFile makes one of the filesystem's own inodes a file, whose kind the kernel
// gives as none, or a file's.
func (n *inode) asFile() {
	if n.Number == badBlocksInode || n.Number == resizeInode {
		n.Mode = n.Mode&^modeType | modeFile
	}
}

// parseInode decodes inode number from its record raw, of which short bytes
// past the first 128 may be missing where the volume keeps no checksums. The
// error says why the record cannot be believed.
func parseInode(sb *superblock, number uint32, raw []byte) (inode, error) {
	n := inode{Number: number}
	if len(raw) < goodOldInodeSize {
		return n, fmt.Errorf("inode %d is cut short", number)
	}
	le := binary.LittleEndian
	n.raw = raw
	n.Mode = le.Uint16(raw[0x0:])
	n.Size = int64(le.Uint32(raw[0x4:]))
	n.Deleted = le.Uint32(raw[0x14:])
	n.Links = le.Uint16(raw[0x1A:])
	n.Sectors = uint64(le.Uint32(raw[0x1C:]))
	n.Flags = le.Uint32(raw[0x20:])
	copy(n.Block[:], raw[iBlockAt:])
	n.Generation = le.Uint32(raw[0x64:])
	n.FileACL = uint64(le.Uint32(raw[0x68:]))
	if n.isFile() || n.isFolder() && sb.Incompat&incompatLargeDir != 0 || n.isLink() {
		n.Size |= int64(le.Uint32(raw[0x6C:])) << 32
	}
	if sb.RoCompat&roHugeFile != 0 {
		n.Sectors |= uint64(le.Uint16(raw[0x74:])) << 32
		if n.Flags&inodeHugeFile != 0 {
			n.Sectors *= uint64(sb.blockSize() / 512)
		}
	}
	if sb.Incompat&incompat64Bit != 0 {
		n.FileACL |= uint64(le.Uint16(raw[0x76:])) << 32
	}
	sec := int64(int32(le.Uint32(raw[0x10:])))
	var nsec int64
	if len(raw) > goodOldInodeSize+4 {
		n.ExtraSize = le.Uint16(raw[0x80:])
		if int(n.ExtraSize) > len(raw)-goodOldInodeSize || n.ExtraSize%4 != 0 {
			n.ExtraSize = 0
		}
		if n.ExtraSize >= 0x8C-goodOldInodeSize { // i_mtime_extra
			x := le.Uint32(raw[0x88:])
			sec += int64(x&3) << 32
			if nsec = int64(x >> 2); nsec >= 1e9 {
				nsec = 0
			}
		}
	}
	if sec != 0 || nsec != 0 {
		n.Modified = time.Unix(sec, nsec).UTC()
	}
	n.Seed = crc32cLE32(crc32cLE32(sb.ChecksumSeed, number), n.Generation)
	if sb.metadataCsum() && !n.checksumOK(sb) && len(bytes.Trim(raw, "\x00")) > 0 {
		return n, fmt.Errorf("inode %d fails its checksum", number)
	}
	return n, nil
}

// checksum is the checksum in the record, and what it covers behind the inode's
// number and generation: zeros stand for itself. full is false where it has but
// its lower half. ext4: checksums, "Inodes".
func (n *inode) checksum() (covered [5][]byte, sum uint32, full bool) {
	const high = goodOldInodeSize + 2 // i_checksum_hi
	le, raw := binary.LittleEndian, n.raw
	sum = uint32(le.Uint16(raw[0x7C:]))
	covered[0], covered[1], covered[2] = raw[:0x7C], zeros[:2], raw[0x7E:]
	if full = len(raw) >= high+2 && le.Uint16(raw[goodOldInodeSize:]) >= 4; full {
		covered[2], covered[3], covered[4] = raw[0x7E:high], zeros[:2], raw[high+2:]
		sum |= uint32(le.Uint16(raw[high:])) << 16
	}
	return covered, sum, full
}

// checksumOK holds the record against its checksum.
func (n *inode) checksumOK(sb *superblock) bool {
	if len(n.raw) < int(sb.InodeSize) {
		return false // a part of it was not read
	}
	covered, sum, full := n.checksum()
	c := crc32c(n.Seed, covered[:]...)
	return c == sum || !full && c&0xFFFF == sum
}

// volumeSeed finds the volume's seed with which the inode passes its checksum,
// by running the sum backwards. ok is false where it has but half of a
// checksum, or none.
func (n *inode) volumeSeed() (seed uint32, ok bool) {
	covered, sum, full := n.checksum()
	le := binary.LittleEndian
	return uncrc32c(uncrc32c(sum, covered[:]...), le.AppendUint32(le.AppendUint32(nil, n.Number), n.Generation)), full
}

// free reports whether the record is of no file: never used, deleted, or being
// deleted. A deletion time with links is no deletion: the field also chains
// the orphans whose truncation was under way (ext4: super, s_last_orphan).
func (n *inode) free() bool { return n.Links == 0 || n.Mode == 0 }

// strange says in words what about the inode cannot be, "" if nothing.
func (n *inode) strange(sb *superblock) string {
	switch n.kind() {
	case modeFIFO, modeChar, modeFolder, modeBlock, modeFile, modeLink, modeSocket:
	default:
		return fmt.Sprintf("its mode %#o is of no kind of file", n.Mode)
	}
	switch {
	case n.Size < 0 || n.Size > sb.blockSize()<<32: // 2^32 blocks is what extents and 3 levels of 64 KiB block maps reach
		return fmt.Sprintf("its size of %d bytes is more than a file can have", uint64(n.Size))
	case n.isFolder() && uint64(n.Size) > sb.Blocks*uint64(sb.blockSize()):
		return "it is a folder larger than the volume"
	case n.Flags&inodeExtents != 0 && sb.Incompat&incompatExtents == 0:
		return "it uses extents, the volume does not"
	}
	return ""
}

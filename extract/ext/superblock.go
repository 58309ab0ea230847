package ext

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"slices"

	"fileassay/extract"
)

const (
	superblockSize = 1024
	superblockAt   = 1024 // of group 0, bytes from the volume's start; ext4: super
	superMagic     = 0xEF53

	stateClosed = 0x1 // s_state: "cleanly umounted"
	stateErrors = 0x2 // s_state: "errors detected"

	flagSignedHash   = 0x1 // s_flags
	flagUnsignedHash = 0x2
)

// superblock is a volume's superblock or a copy of it. ext4: super, "struct
// ext4_super_block". Where only its first 512 bytes were read the fields that
// stand later are zero and Whole is false.
type superblock struct {
	Inodes         uint32
	Blocks         uint64
	FirstDataBlock uint32
	LogBlockSize   uint32
	LogClusterSize uint32
	BlocksPerGroup uint32
	ClustersPerGrp uint32
	InodesPerGroup uint32
	WriteTime      uint32
	State          uint16 // s_state
	Revision       uint32
	FirstInode     uint32
	InodeSize      uint16
	GroupNumber    uint16 // s_block_group_nr: the group this copy stands in
	Compat         uint32
	Incompat       uint32
	RoCompat       uint32
	UUID           [16]byte
	Label          string
	ReservedGDT    uint16
	JournalInode   uint32
	HashSeed       [4]uint32
	Flags          uint32
	JournalBackup  uint8 // s_jnl_backup_type: 1 where JournalBlocks is set
	DescSize       uint16
	FirstMetaBG    uint32
	MkfsTime       uint32
	JournalBlocks  [iBlockSize + 8]byte // i_block and size, high half first, of the journal's inode
	MMPBlock       uint64
	ChecksumType   uint8

	UserQuota    uint32
	GroupQuota   uint32
	BackupGroups [2]uint32
	ChecksumSeed uint32
	ProjectQuota uint32
	OrphanFile   uint32
	LastOrphan   uint32 // the first of the list of inodes being deleted or cut

	Whole bool // all 1024 bytes were read
	// Fault says in words which of its own checks it fails, "" if none.
	Fault string
}

// parseSuperblock decodes a superblock from 1024 bytes, or from its first 512
// where the rest was not read. ok is false where the signature is missing or
// the geometry is none that a volume could have.
func parseSuperblock(b []byte) (sb superblock, ok bool) {
	if len(b) < 512 {
		return sb, false
	}
	le := binary.LittleEndian
	if le.Uint16(b[0x38:]) != superMagic {
		return sb, false
	}
	sb = superblock{
		Inodes:         le.Uint32(b[0x0:]),
		Blocks:         uint64(le.Uint32(b[0x4:])),
		FirstDataBlock: le.Uint32(b[0x14:]),
		LogBlockSize:   le.Uint32(b[0x18:]),
		LogClusterSize: le.Uint32(b[0x1C:]),
		BlocksPerGroup: le.Uint32(b[0x20:]),
		ClustersPerGrp: le.Uint32(b[0x24:]),
		InodesPerGroup: le.Uint32(b[0x28:]),
		WriteTime:      le.Uint32(b[0x30:]),
		State:          le.Uint16(b[0x3A:]),
		Revision:       le.Uint32(b[0x4C:]),
		FirstInode:     11,
		InodeSize:      128,
	}
	sb.GroupNumber = le.Uint16(b[0x5A:]) // which mke2fs fills in revision 0 too
	if sb.Revision > 0 {                 // EXT2_DYNAMIC_REV: what follows is filled
		sb.FirstInode = le.Uint32(b[0x54:])
		sb.InodeSize = le.Uint16(b[0x58:])
		sb.Compat = le.Uint32(b[0x5C:])
		sb.Incompat = le.Uint32(b[0x60:])
		sb.RoCompat = le.Uint32(b[0x64:])
		copy(sb.UUID[:], b[0x68:])
		label, _, _ := bytes.Cut(b[0x78:0x88], []byte{0})
		sb.Label = extract.Label(label)
		sb.ReservedGDT = le.Uint16(b[0xCE:])
		sb.JournalInode = le.Uint32(b[0xE0:])
		for i := range sb.HashSeed {
			sb.HashSeed[i] = le.Uint32(b[0xEC+4*i:])
		}
		sb.Flags = le.Uint32(b[0x160:])
		sb.LastOrphan = le.Uint32(b[0xE8:])
		sb.JournalBackup = b[0xFD]
		sb.DescSize = le.Uint16(b[0xFE:])
		sb.FirstMetaBG = le.Uint32(b[0x104:])
		sb.MkfsTime = le.Uint32(b[0x108:])
		copy(sb.JournalBlocks[:], b[0x10C:])
		if sb.Incompat&incompat64Bit != 0 {
			sb.Blocks |= uint64(le.Uint32(b[0x150:])) << 32
		}
		sb.MMPBlock = le.Uint64(b[0x168:])
		sb.ChecksumType = b[0x175]
	}
	if sb.Incompat&incompat64Bit == 0 || sb.DescSize < 32 {
		sb.DescSize = 32
	}
	if len(b) >= superblockSize {
		sb.Whole = true
		if sb.Revision > 0 {
			sb.UserQuota = le.Uint32(b[0x240:])
			sb.GroupQuota = le.Uint32(b[0x244:])
			sb.BackupGroups = [2]uint32{le.Uint32(b[0x24C:]), le.Uint32(b[0x250:])}
			sb.ProjectQuota = le.Uint32(b[0x26C:])
			sb.ChecksumSeed = le.Uint32(b[0x270:])
			sb.OrphanFile = le.Uint32(b[0x280:])
		}
	}
	if sb.Incompat&incompatCsumSeed == 0 {
		sb.ChecksumSeed = crc32c(^uint32(0), sb.UUID[:])
	}
	if !sb.sane() {
		return sb, false
	}
	if sb.Whole && sb.metadataCsum() && crc32c(^uint32(0), b[:0x3FC]) != le.Uint32(b[0x3FC:]) {
		sb.Fault = "its checksum does not match"
	}
	return sb, true
}

// sane reports whether the geometry is one that mke2fs could have made and
// the arithmetic below holds for.
func (sb *superblock) sane() bool {
	bs, is := sb.blockSize(), int64(sb.InodeSize)
	switch {
	case sb.LogBlockSize > 6, sb.Blocks == 0, sb.Blocks > 1<<48, sb.Inodes == 0,
		sb.FirstDataBlock > 1, uint64(sb.FirstDataBlock) >= sb.Blocks, bs > 1024 && sb.FirstDataBlock != 0,
		sb.BlocksPerGroup < 64, sb.BlocksPerGroup%8 != 0,
		is < 128, is > bs, is&(is-1) != 0,
		sb.InodesPerGroup == 0, int64(sb.InodesPerGroup) > 8*bs, sb.InodesPerGroup%8 != 0,
		sb.DescSize < 32, sb.DescSize > 1024, sb.DescSize&(sb.DescSize-1) != 0,
		sb.FirstInode < 11, sb.FirstInode > sb.Inodes+1:
		return false
	case !sb.bigalloc():
		if int64(sb.BlocksPerGroup) > 8*bs {
			return false
		}
	case sb.LogClusterSize < sb.LogBlockSize, sb.LogClusterSize > sb.LogBlockSize+20,
		uint64(sb.ClustersPerGrp)<<(sb.LogClusterSize-sb.LogBlockSize) != uint64(sb.BlocksPerGroup),
		sb.ClustersPerGrp == 0, int64(sb.ClustersPerGrp) > 8*bs:
		return false
	}
	groups := sb.groups()
	// every inode has a group and every group its inodes
	return groups < 1<<32 && uint64(sb.Inodes) == groups*uint64(sb.InodesPerGroup)
}

func (sb *superblock) blockSize() int64 { return 1024 << sb.LogBlockSize }

func (sb *superblock) bigalloc() bool     { return sb.RoCompat&roBigalloc != 0 }
func (sb *superblock) metadataCsum() bool { return sb.RoCompat&roMetadataCsum != 0 }

// clusterBlocks is the number of blocks of an allocation unit.
func (sb *superblock) clusterBlocks() uint64 {
	if sb.bigalloc() {
		return 1 << (sb.LogClusterSize - sb.LogBlockSize)
	}
	return 1
}

// groups is the number of block groups.
func (sb *superblock) groups() uint64 {
	per := uint64(sb.BlocksPerGroup)
	return (sb.Blocks - uint64(sb.FirstDataBlock) + per - 1) / per
}

// groupFirst is the first block of a group.
func (sb *superblock) groupFirst(g uint64) uint64 {
	return uint64(sb.FirstDataBlock) + g*uint64(sb.BlocksPerGroup)
}

// groupBlocks is the number of blocks of a group; the last may be short.
func (sb *superblock) groupBlocks(g uint64) uint64 {
	return min(uint64(sb.BlocksPerGroup), sb.Blocks-sb.groupFirst(g))
}

// hasSuper reports whether a group holds a copy of the superblock. ext4:
// blockgroup, "Layout"; super, s_backup_bgs.
func (sb *superblock) hasSuper(g uint64) bool {
	switch {
	case g == 0:
		return true
	case sb.Compat&compatSparseSuper2 != 0:
		return g == uint64(sb.BackupGroups[0]) || g == uint64(sb.BackupGroups[1])
	case sb.RoCompat&roSparseSuper == 0:
		return true
	}
	return sparseGroup(g)
}

// superBlocks is the number of blocks from the start of a group on that its copy
// of the superblock takes.
func (sb *superblock) superBlocks(g uint64) uint64 {
	switch {
	case !sb.hasSuper(g):
		return 0
	case g == 0 && sb.FirstDataBlock == 0 && sb.blockSize() == 1024:
		return 2 // the superblock is block 1 although the first data block is 0
	}
	return 1
}

// maxCopies bounds the copies tried where every group holds one.
const maxCopies = 64

// copyGroups are the groups behind the first that hold copies of the
// superblock, a bounded number.
func (sb *superblock) copyGroups() []uint64 {
	last := sb.groups() - 1
	var out []uint64
	switch {
	case sb.Compat&compatSparseSuper2 != 0:
		for _, g := range sb.BackupGroups {
			if g > 0 && uint64(g) <= last {
				out = append(out, uint64(g))
			}
		}
	case sb.RoCompat&roSparseSuper != 0:
		return sparseGroups(last)
	default:
		for g := uint64(1); g <= min(last, maxCopies); g++ {
			out = append(out, g)
		}
	}
	return out
}

// sparseGroup reports whether a group holds a copy under the sparse_super
// rule: groups 0, 1 and powers of 3, 5 and 7. ext4: blockgroup.
func sparseGroup(g uint64) bool {
	for _, p := range [...]uint64{3, 5, 7} {
		n := g
		for n > 1 && n%p == 0 {
			n /= p
		}
		if n <= 1 {
			return true
		}
	}
	return false
}

// sparseGroups are the groups from 1 to last for which that holds, in order.
func sparseGroups(last uint64) []uint64 {
	var out []uint64
	if last > 0 {
		out = append(out, 1)
	}
	for _, p := range [...]uint64{3, 5, 7} {
		for n := p; n <= last; n *= p {
			out = append(out, n)
		}
	}
	slices.Sort(out)
	return out
}

// superOffset is where the superblock of a group stands, in bytes of the
// volume.
func (sb *superblock) superOffset(g uint64) int64 {
	if g == 0 {
		return superblockAt
	}
	return int64(sb.groupFirst(g)) * sb.blockSize()
}

// filesystem is the name of the family member.
func (sb *superblock) filesystem() string {
	switch {
	case sb.Incompat&incompatExt4 != 0 || sb.RoCompat&roExt4 != 0:
		return "ext4"
	case sb.Compat&compatJournal != 0:
		return "ext3"
	}
	return "ext2"
}

// unusable says in words why files of this volume cannot be listed, "" if they
// can.
func (sb *superblock) unusable() string {
	switch {
	case sb.Incompat&incompatJournalDev != 0:
		return "it is an external journal of another volume and holds no files"
	case sb.Incompat&^uint32(incompatKnown) != 0:
		return fmt.Sprintf("it uses features that are not known here: incompatible feature bits %#x", sb.Incompat&^uint32(incompatKnown))
	case sb.Revision > 1:
		return fmt.Sprintf("its format revision is %d, known are 0 and 1", sb.Revision)
	case sb.metadataCsum() && sb.ChecksumType != 1:
		return fmt.Sprintf("its checksums are of kind %d, known is 1", sb.ChecksumType)
	case !sb.Whole && sb.Incompat&incompatCsumSeed != 0:
		return "the seed of its checksums stands in the unread half of its superblock"
	case sb.groups() > maxGroups:
		return fmt.Sprintf("its superblock claims %d groups, more than %d are not believed", sb.groups(), maxGroups)
	}
	return ""
}

// made is when the volume was made, else when it was last written, in seconds
// since 1970. ext4: super, s_mkfs_time and s_wtime.
func (sb *superblock) made() int64 { return int64(cmp.Or(sb.MkfsTime, sb.WriteTime)) }

// id is the volume's UUID in hexadecimal; where it has none, the time it was
// made. ext4: super, s_uuid.
func (sb *superblock) id() string {
	switch {
	case sb.UUID != [16]byte{}:
		return hex.EncodeToString(sb.UUID[:])
	case sb.MkfsTime != 0:
		return fmt.Sprintf("%08x", sb.MkfsTime)
	}
	return ""
}

// sameVolume reports whether two superblocks are copies of one volume's.
func (sb *superblock) sameVolume(o *superblock) bool {
	return sb.UUID == o.UUID && sb.LogBlockSize == o.LogBlockSize && sb.BlocksPerGroup == o.BlocksPerGroup &&
		sb.InodesPerGroup == o.InodesPerGroup && sb.InodeSize == o.InodeSize && sb.MkfsTime == o.MkfsTime
}

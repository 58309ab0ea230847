package ext

import (
	"encoding/binary"
	"fmt"

	"fileassay/extract/partial"
)

// Flags of a group. ext4: group_descr, "Block group flags".
const (
	groupInodeUninit = 0x1 // inode bitmap and table are not initialised
	groupBlockUninit = 0x2 // block bitmap is not initialised
)

// groupDesc is a group descriptor. ext4: group_descr, "struct ext4_group_desc".
type groupDesc struct {
	BlockBitmap  uint64
	InodeBitmap  uint64
	InodeTable   uint64
	FreeBlocks   uint32 // in clusters
	FreeInodes   uint32
	Flags        uint16
	BlockCsum    uint32 // of the block bitmap
	InodeCsum    uint32 // of the inode bitmap
	UnusedInodes uint32 // at the end of the table, never used

	Known  bool // it was read from some copy and is sound
	Backup bool // from a copy: places hold, but flags, counts and checksums may be old
	// Checked is set where a checksum vouches for it.
	Checked bool
	// Guessed is set where no descriptor was read and folders and inodes tell where
	// the inodes stand, but not where the bitmaps do. What it leads to is listed and
	// proves nothing.
	Guessed bool
}

// parseGroupDesc decodes the descriptor of group g from b, which holds one of
// the volume's size, and holds it against its checksum and the volume's
// geometry. The error says which check it fails.
func parseGroupDesc(sb *superblock, g uint64, b []byte) (groupDesc, error) {
	size := int(sb.DescSize)
	if len(b) < size {
		return groupDesc{}, fmt.Errorf("descriptor of group %d is cut short", g)
	}
	le := binary.LittleEndian
	block := func(low, high int) uint64 {
		n := uint64(le.Uint32(b[low:]))
		if size >= 64 {
			n |= uint64(le.Uint32(b[high:])) << 32
		}
		return n
	}
	half := func(low, high int) uint32 {
		n := uint32(le.Uint16(b[low:]))
		if size >= 64 {
			n |= uint32(le.Uint16(b[high:])) << 16
		}
		return n
	}
	d := groupDesc{BlockBitmap: block(0x0, 0x20), InodeBitmap: block(0x4, 0x24), InodeTable: block(0x8, 0x28),
		FreeBlocks: half(0xC, 0x2C), FreeInodes: half(0xE, 0x2E), Flags: le.Uint16(b[0x12:]),
		BlockCsum: half(0x18, 0x38), InodeCsum: half(0x1A, 0x3A), UnusedInodes: half(0x1C, 0x32)}
	if sb.RoCompat&(roMetadataCsum|roGdtCsum) != 0 {
		if want := groupDescChecksum(sb, g, b[:size]); want != le.Uint16(b[0x1E:]) {
			return d, fmt.Errorf("descriptor of group %d fails its checksum", g)
		}
		d.Checked = true
	} else {
		d.Flags, d.UnusedInodes = 0, 0 // they mean nothing without these features
	}
	if err := d.plausible(sb, g); err != nil {
		return d, err
	}
	d.Known = true
	return d, nil
}

// eachDesc decodes the descriptors of block i of them, b, that were read; the
// error is as parseGroupDesc's.
func (sb *superblock) eachDesc(i uint64, b partial.Bytes, yield func(g uint64, d groupDesc, err error)) {
	size := int(sb.DescSize)
	per := uint64(b.Len() / size)
	for k := range min(per, sb.groups()-i*per) {
		if raw, ok := b.Get(int(k)*size, size); ok {
			d, err := parseGroupDesc(sb, i*per+k, raw)
			yield(i*per+k, d, err)
		}
	}
}

// groupDescChecksum computes bg_checksum. ext4: checksums; group_descr.
func groupDescChecksum(sb *superblock, g uint64, b []byte) uint16 {
	id := binary.LittleEndian.AppendUint32(nil, uint32(g))
	if sb.metadataCsum() {
		return uint16(crc32c(sb.ChecksumSeed, id, b[:0x1E], zeros[:2], b[0x20:]))
	}
	c := crc16(^uint16(0), sb.UUID[:])
	c = crc16(c, id)
	c = crc16(c, b[:0x1E])
	return crc16(c, b[0x20:]) // nothing for descriptors of 32 bytes
}

// room is where a group's bitmaps and inode table may stand.
func (sb *superblock) room(g uint64) (lo, hi uint64) {
	if sb.Incompat&incompatFlexBG != 0 {
		return uint64(sb.FirstDataBlock), sb.Blocks
	}
	lo = sb.groupFirst(g) // everything lies in the group itself
	return lo, lo + sb.groupBlocks(g)
}

// tableFits reports whether a group may have its inode table where d says.
func (d *groupDesc) tableFits(sb *superblock, g uint64) bool {
	lo, hi := sb.room(g)
	n := tableBlocks(sb)
	return d.InodeTable > lo && d.InodeTable < hi && n <= hi-d.InodeTable
}

// plausible holds a descriptor's places against the volume's geometry.
func (d *groupDesc) plausible(sb *superblock, g uint64) error {
	lo, hi := sb.room(g)
	for _, p := range [...]struct {
		what         string
		first, count uint64
	}{
		{"block bitmap", d.BlockBitmap, 1},
		{"inode bitmap", d.InodeBitmap, 1},
		{"inode table", d.InodeTable, tableBlocks(sb)},
	} {
		if p.first <= uint64(sb.FirstDataBlock) || p.first < lo || p.first >= hi || p.count > hi-p.first {
			return fmt.Errorf("descriptor of group %d puts the %s at block %d, where it cannot be", g, p.what, p.first)
		}
	}
	if d.FreeInodes > sb.InodesPerGroup || d.UnusedInodes > sb.InodesPerGroup {
		return fmt.Errorf("descriptor of group %d counts more free inodes than there are", g)
	}
	return nil
}

// tableBlocks is the number of blocks of a group's inode table.
func tableBlocks(sb *superblock) uint64 {
	return (uint64(sb.InodesPerGroup)*uint64(sb.InodeSize) + uint64(sb.blockSize()) - 1) / uint64(sb.blockSize())
}

// usedInodes is how many inodes from the start of the group's table may be in
// use, as far as the descriptor can be trusted on it.
func (d *groupDesc) usedInodes(sb *superblock) uint32 {
	if !d.Known || d.Backup || !d.Checked {
		return sb.InodesPerGroup
	}
	if d.Flags&groupInodeUninit != 0 {
		return 0
	}
	return sb.InodesPerGroup - d.UnusedInodes
}

// descBlock is where block i of the descriptors stands in a copy that group at
// holds; ok is false where that group holds none. at 0 is the primary. ext4:
// blockgroup, "Meta Block Groups".
func descBlock(sb *superblock, i, at uint64) (block uint64, ok bool) {
	perBlock := uint64(sb.blockSize()) / uint64(sb.DescSize)
	if sb.Incompat&incompatMetaBG != 0 && i >= uint64(sb.FirstMetaBG) {
		g := i*perBlock + at // at 0, 1 or the last of the meta group
		if g >= sb.groups() || (at > 1 && at != perBlock-1) || at >= perBlock {
			return 0, false
		}
		return sb.groupFirst(g) + sb.superBlocks(g), true
	}
	if !sb.hasSuper(at) || at >= sb.groups() {
		return 0, false
	}
	block = sb.groupFirst(at) + sb.superBlocks(at) + i
	return block, block < sb.Blocks
}

// descCopies are the values of at for which descBlock may know a copy of block
// i, the primary first, then from the nearest.
func descCopies(sb *superblock, i uint64) []uint64 {
	if sb.Incompat&incompatMetaBG != 0 && i >= uint64(sb.FirstMetaBG) {
		return []uint64{0, 1, uint64(sb.blockSize())/uint64(sb.DescSize) - 1}
	}
	return append([]uint64{0}, sb.copyGroups()...)
}

// plainDescBlocks is how many of these stand behind each superblock.
func (sb *superblock) plainDescBlocks() uint64 {
	if sb.Incompat&incompatMetaBG != 0 {
		return min(descBlocks(sb), uint64(sb.FirstMetaBG))
	}
	return descBlocks(sb)
}

// descBlocks is the number of blocks that hold the descriptors.
func descBlocks(sb *superblock) uint64 {
	perBlock := uint64(sb.blockSize()) / uint64(sb.DescSize)
	return (sb.groups() + perBlock - 1) / perBlock
}

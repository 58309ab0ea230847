package ext

import (
	"context"
	"fmt"

	"fileassay/extract"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// layout is where the volume's own structures stand: what the superblock says,
// and the descriptor of every group.
type layout struct {
	blocks
	sb     superblock
	sbAt   int64      // of the superblock that is gone by, in the volume; -1 where there is none
	shape  *groupDesc // what is gone by in place of a superblock; nil where there is one
	groups groupTable
	system ranges.Set // fixed structures, in blocks
}

// finder finds the superblock to go by of the volume at [start, start+limit).
type finder func(ctx context.Context, r *image.Reader, start, limit int64) (found, error)

// notVolume is the error that says why there is no volume at start.
func notVolume(start int64, format string, args ...any) error {
	return &extract.NotVolumeError{Filesystem: "ext2/3/4", Start: start, Why: fmt.Sprintf(format, args...)}
}

// locate finds where the structures of the volume at start stand. limit is the
// length of the range that it is in.
func locate(ctx context.Context, r *image.Reader, start, limit int64, find finder) (*layout, string, error) {
	if start < 0 || limit <= superblockAt {
		return nil, "", notVolume(start, "the range is too short to hold one")
	}
	f, err := find(ctx, r, start, limit)
	if err != nil {
		return nil, "", err
	}
	if why := f.unusable(); why != "" {
		return nil, "", notVolume(start, "%s", why)
	}
	if f.groups() > maxGroups {
		return nil, "", notVolume(start, "its superblock claims %d groups, more than %d are not believed", f.groups(), maxGroups)
	}
	l := &layout{blocks: blocks{r: r, start: start, bs: f.blockSize(), count: f.Blocks}, sb: f.superblock, sbAt: f.at, shape: f.group}
	l.loadGroups()
	return l, f.note, nil
}

// replay takes the newer versions of blocks that a journal holds, and reads
// again what they may be of.
func (v *layout) replay(newer overlay) {
	v.overlay = newer
	block, off := uint64(superblockAt/v.bs), superblockAt%v.bs
	if _, ok := v.copies[block]; ok && v.sbAt == superblockAt {
		b := v.read(make([]byte, v.bs), block)
		if sb, ok := parseSuperblock(b.Data[off : off+superblockSize]); ok && b.Whole() && sb.Fault == "" && sb.unusable() == "" && sb.sameVolume(&v.sb) && sb.groups() <= maxGroups {
			v.sb, v.count = sb, sb.Blocks
		}
	}
	v.loadGroups()
}

// ownInode reports whether an inode is the filesystem's own rather than a file
// or folder. ext4: special_inodes.
func (v *layout) ownInode(number uint32) bool {
	switch number {
	case rootInode:
		return false
	case v.sb.JournalInode, v.sb.UserQuota, v.sb.GroupQuota, v.sb.ProjectQuota:
		return true
	case v.sb.OrphanFile:
		return v.sb.Compat&compatOrphanFile != 0
	}
	return number < v.sb.FirstInode
}

// fileBlocks is the number of blocks that content of the given size takes.
func (v *layout) fileBlocks(size int64) uint64 {
	return (uint64(size) + uint64(v.bs) - 1) / uint64(v.bs)
}

// dataRange reports whether file content may lie in [block, block+n): on the
// volume, and clear of its fixed structures.
func (v *layout) dataRange(block, n uint64) bool {
	return block >= uint64(v.sb.FirstDataBlock) && block > 0 && block < v.sb.Blocks && n <= v.sb.Blocks-block && !v.system.Touches(int64(block), int64(n))
}

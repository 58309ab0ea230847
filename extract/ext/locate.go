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
	sbAt   int64 // of the superblock that is gone by, in the volume; -1 where there is none
	alone  bool  // it is a copy, and the primary does not speak for its volume
	groups groupTable
	// tables are what folders and inodes tell of groups whose descriptors are read
	// in no copy.
	tables map[uint64]groupDesc
	// opposed says which descriptor of the primary, that was read, is none of the
	// volume of a superblock copy; "" where none is. Then, or where other
	// volumes' copies stand there, nothing is proved: doubt.
	opposed string
	doubt   extract.Doubt
	system  ranges.Set // fixed structures, in blocks
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
	if f.at >= 0 && int64(descBlocks(&f.superblock)) > limit/f.blockSize() {
		return nil, "", notVolume(start, "its superblock claims %d groups, whose descriptors alone are larger than the range", f.groups())
	}
	l := &layout{blocks: blocks{r: r, start: start, bs: f.blockSize(), count: f.Blocks}, sb: f.superblock, sbAt: f.at, tables: f.tables, doubt: f.doubt, alone: f.alone}
	l.loadGroups()
	return l, f.note, nil
}

// replay takes the newer versions of blocks that a journal holds, and reads
// again what they may be of.
func (v *layout) replay(newer overlay) {
	v.overlay = newer
	block, off := uint64(superblockAt/v.bs), superblockAt%v.bs
	if _, ok := v.copies[block]; ok {
		b := v.read(make([]byte, v.bs), block)
		if sb, ok := parseSuperblock(b.Data[off : off+superblockSize]); ok && b.Whole() && sb.Fault == "" && sb.unusable() == "" && sb.sameVolume(&v.sb) {
			v.sb, v.count = sb, sb.Blocks
		}
	}
	v.loadGroups()
}

// maxGroups bounds the descriptors held in memory: 2^21 groups are 256 TiB in
// blocks of 4 KiB.
const maxGroups = 1 << 21

// groupTable is the sound descriptor of every group, from whichever copy had
// it, with what was found on the way.
type groupTable struct {
	list    []groupDesc
	backups int      // groups whose descriptor is from a copy
	unknown int      // groups without one
	faults  []string // why descriptors of the primary were passed over, a few
}

// maxFaults bounds the faults of one kind that are told one by one.
const maxFaults = 8

// loadGroups reads the descriptors block by block, each from the primary, and
// where that does not give it from a copy.
func (v *layout) loadGroups() {
	sb := &v.sb
	t := groupTable{list: make([]groupDesc, sb.groups()), unknown: int(sb.groups())}
	buf := make([]byte, v.bs)
	per := uint64(v.bs) / uint64(sb.DescSize)
	for i := range descBlocks(sb) {
		if v.sbAt < 0 {
			break // where they stand is not known
		}
		missing := min(per, sb.groups()-i*per)
		for n, at := range descCopies(sb, i) {
			block, ok := descBlock(sb, i, at)
			if !ok || missing == 0 {
				continue
			}
			sb.eachDesc(i, v.read(buf, block), func(g uint64, d groupDesc, err error) {
				switch {
				case t.list[g].Known:
				case err == nil:
					d.Backup = n > 0
					t.list[g] = d
					missing--
					t.unknown--
					if n > 0 {
						t.backups++
					}
				case n == 0:
					if v.alone && v.opposed == "" {
						v.opposed = err.Error()
					}
					if len(t.faults) < maxFaults {
						t.faults = append(t.faults, err.Error())
					}
				}
			})
		}
	}
	v.groups = t
	v.findSystem()
	v.useTables()
}

// useTables takes what folders and inodes tell of the groups without a descriptor.
// A guess is no fixed structure that a file's claim would be held against.
func (v *layout) useTables() {
	for g, d := range v.tables {
		if g < uint64(len(v.groups.list)) && !v.groups.list[g].Known {
			v.groups.list[g] = d
		}
	}
}

// findSystem notes the blocks that hold the volume's fixed structures, which
// no file can lie in. ext4: blockgroup, "Layout".
func (v *layout) findSystem() {
	sb := &v.sb
	v.system = ranges.Set{}
	add := func(block, count uint64) {
		if block < sb.Blocks {
			count = min(count, sb.Blocks-block)
			v.system.Add(int64(block), int64(count))
		}
	}
	if sb.FirstDataBlock > 0 {
		add(0, uint64(sb.FirstDataBlock)) // the boot block, outside all groups
	}
	plain := sb.plainDescBlocks()
	for g := range sb.groups() {
		if sb.hasSuper(g) {
			add(sb.groupFirst(g), sb.superBlocks(g)+plain)
		}
		if d := &v.groups.list[g]; d.Known {
			if !d.Guessed {
				add(d.BlockBitmap, 1)
				add(d.InodeBitmap, 1)
			}
			add(d.InodeTable, tableBlocks(sb))
		}
	}
	if sb.Incompat&incompatMetaBG != 0 {
		for i := uint64(sb.FirstMetaBG); i < descBlocks(sb); i++ {
			for _, at := range descCopies(sb, i) {
				if b, ok := descBlock(sb, i, at); ok {
					add(b, 1)
				}
			}
		}
	}
	v.system.Len() // settle, so that goroutines may ask it
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

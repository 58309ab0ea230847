package ext

import (
	"context"
	"fmt"
	"slices"
	"sync"

	"fileassay/extract"
	"fileassay/extract/claims"
	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// Volume is an opened ext2, ext3 or ext4 volume. It implements
// [extract.Filesystem].
type Volume struct {
	r      *image.Reader
	start  int64 // in the image
	length int64 // of the range it was opened in; its own size where that is not known
	opt    extract.Options

	sb     superblock
	sbAt   int64     // of the superblock that is gone by, in the volume; -1 where there is none
	shape  *geometry // what is gone by in place of a superblock; nil where there is one
	bs     int64     // bytes of a block
	groups groupTable
	system ranges.Set // fixed structures, in blocks
	notes  []string

	journal     journalState
	overlay     map[uint64]journalCopy // newest versions of blocks, in the journal
	overlayKeys []uint64               // of overlay, sorted

	shared  ranges.Set // blocks that more than one inode claims
	scratch sync.Pool  // *[]byte, for parts of tables and folders

	claims  claims.Owned
	listing extract.Listing
}

var _ extract.Filesystem = (*Volume)(nil)

// Open opens the volume at [start, start+length) of the image; length 0 is as
// long as the superblock says. Where the superblock is unread or damaged it
// goes by a copy. It fails with [*extract.NotVolumeError] where there is no
// such volume, or one whose files cannot be listed.
func Open(ctx context.Context, r *image.Reader, start, length int64, o extract.Options) (*Volume, error) {
	return open(ctx, r, start, length, o, bySuperblock)
}

// OpenRemains opens a volume of which neither the superblock nor any copy was
// read by what its folders and inodes say of each other. None of its files is
// proved: they may be what is left of an earlier volume, so this comes after all
// else. It fails as [Open] does.
func OpenRemains(ctx context.Context, r *image.Reader, start, length int64, o extract.Options) (*Volume, error) {
	return open(ctx, r, start, length, o, byRemains)
}

// bySuperblock is what [Open] goes by.
func bySuperblock(ctx context.Context, r *image.Reader, start, limit int64) (found, *geometry, error) {
	f, err := findSuperblock(ctx, r, start, limit)
	return f, nil, err
}

func open(ctx context.Context, r *image.Reader, start, length int64, o extract.Options,
	find func(ctx context.Context, r *image.Reader, start, limit int64) (found, *geometry, error)) (*Volume, error) {
	limit := r.DriveSize() - start
	if length > 0 {
		limit = min(limit, length)
	}
	no := func(why string) (*Volume, error) {
		return nil, &extract.NotVolumeError{Filesystem: "ext2/3/4", Start: start, Why: why}
	}
	if start < 0 || limit <= superblockAt {
		return no("the range is too short to hold one")
	}
	f, shape, err := find(ctx, r, start, limit)
	if err != nil {
		return nil, err
	}
	if why := f.unusable(); why != "" {
		return no(why)
	}
	if f.groups() > maxGroups {
		return no(fmt.Sprintf("its superblock claims %d groups, more than %d are not believed", f.groups(), maxGroups))
	}
	v := &Volume{r: r, start: start, length: length, opt: o, sb: f.superblock, sbAt: f.at, shape: shape, bs: f.blockSize()}
	v.scratch.New = func() any { return new([]byte) }
	size := int64(f.Blocks) * v.bs
	if length <= 0 {
		v.length = size
	}
	if f.note != "" {
		v.notes = append(v.notes, f.note)
	}
	if size > v.length {
		v.notes = append(v.notes, fmt.Sprintf("the superblock says %d bytes, %d more than the range that the volume stands in", size, size-v.length))
	}
	v.loadGroups()
	if why := v.contradicted(); why != "" {
		return no(why)
	}
	if err := v.openJournal(ctx); err != nil {
		return nil, err
	}
	if len(v.overlay) > 0 {
		v.reload()
	}
	v.notes = append(v.notes, v.groups.notes()...)
	if v.journal.note != "" {
		v.notes = append(v.notes, v.journal.note)
	}
	return v, nil
}

// contradicted says in words what speaks against there being a volume behind
// the superblock, "" if nothing: journals hold old superblocks too, and an
// earlier volume's copies outlast it.
func (v *Volume) contradicted() string {
	if v.groups.unknown == len(v.groups.list) {
		b := make([]byte, v.bs)
		if block, ok := descBlock(&v.sb, 0, 0); ok && v.readBlockReadable(b, block) == nil {
			return "no group descriptor agrees with the superblock"
		}
		return ""
	}
	for _, n := range [...]uint32{rootInode, v.sb.JournalInode, v.sb.FirstInode} {
		if n == 0 {
			continue
		}
		if rec := v.readInode(n); rec.state == recordLive || rec.state == recordUnread {
			return ""
		}
	}
	return "neither the root folder nor any inode of its own stands where the superblock says"
}

// reload reads again what the journal may have a newer version of.
func (v *Volume) reload() {
	if v.sbAt == superblockAt {
		block, off := uint64(superblockAt/v.bs), superblockAt%v.bs
		if _, newer := v.overlay[block]; newer {
			b := make([]byte, v.bs)
			if v.readBlockReadable(b, block) == nil {
				if sb, ok := parseSuperblock(b[off : off+superblockSize]); ok && sb.Fault == "" && sb.unusable() == "" && sb.sameVolume(&v.sb) && sb.groups() <= maxGroups {
					v.sb = sb
				}
			}
		}
	}
	v.loadGroups()
}

// Walk is for [extract.Filesystem].
func (v *Volume) Walk(ctx context.Context, yield func(*extract.File) error) (*extract.Survey, error) {
	if yield != nil {
		if err := v.walk(ctx, yield); err != nil {
			return nil, err
		}
	}
	structures, err := v.structures(ctx)
	if err != nil || yield == nil {
		return &extract.Survey{Structures: structures}, err
	}
	return &extract.Survey{Listing: v.listing, Structures: structures, Space: v.space()}, nil
}

// Info describes the volume.
func (v *Volume) Info() extract.Info {
	return extract.Info{Filesystem: v.sb.filesystem(), Label: v.sb.Label, Cluster: v.bs * int64(v.sb.clusterBlocks()), Notes: slices.Clone(v.notes)}
}

// space is the use of every range of the volume.
func (v *Volume) space() extract.Space { return v.claims.Space(v.start, v.length, v.allocation) }

// ownInode reports whether an inode is the filesystem's own rather than a file
// or folder. ext4: special_inodes.
func (v *Volume) ownInode(number uint32) bool {
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

package ext

import (
	"context"
	"fmt"

	"fileassay/extract"
	"fileassay/extract/claims"
	"fileassay/extract/needs"
	"fileassay/extract/ranges"
)

// state makes the statement on the list.
func (v *Volume) state(ctx context.Context, t *tree, w *space, sum tally, faults []string) (l extract.Listing, err error) {
	unclaimed, _, err := claims.Unclaimed(ctx, w.uses())
	if err != nil {
		return l, err
	}
	l = extract.Listing{Complete: true, UnreadRecords: sum[unreadInodes] + sum[condemned], UnnamedFiles: sum[unnamed], UnclaimedBytes: unclaimed}
	l.Needs = v.needed(t)
	short := func(format string, args ...any) {
		l.Complete = false
		l.Why = append(l.Why, fmt.Sprintf(format, args...))
	}
	if v.sbAt < 0 {
		short("which inodes are in use, and whether there are more of them, is not known")
	}
	if v.groups.unknown > 0 {
		short("the descriptors of %d groups are unread in every copy: %d inodes cannot be found", v.groups.unknown, int64(v.groups.unknown)*int64(v.sb.InodesPerGroup))
	}
	if n := v.groups.opposed(); n > 0 {
		short("copies of the descriptors of %d groups put bitmaps or inodes in different places: no file of these groups is vouched for", n)
	}
	if sum[unreadInodes] > 0 {
		short("%d inodes that are or may be in use are unread", sum[unreadInodes])
	}
	if sum[condemned] > 0 {
		short("%d inodes in use fail their checks", sum[condemned])
		l.Why = append(l.Why, faults...)
	}
	if root := t.find(rootInode); root == nil {
		short("the root folder's inode is unread or condemned: what stands in it has no name")
	}
	if t.found > 0 {
		short("entries of %d folders whose inodes are unread or damaged were found in blocks of the volume: more of them may be missing", t.found)
	}
	if t.cutBlocks > 0 {
		short("%d blocks of %d folders are unread or condemned: names in them are missing", t.cutBlocks, t.cutOf)
	}
	if t.untested > 0 {
		short("%d blocks of folders are unread in a part that holds no name: their checksums cannot vouch for the names", t.untested)
	}
	if sum[unnamed] > 0 {
		short("%d files and folders are in use but no folder that was read names them", sum[unnamed])
	}
	for _, why := range v.journal.pending {
		short("%s", why)
	}
	if n := t.claimed.miscounted; n > 0 {
		short("the bitmaps of %d groups call another number of blocks or inodes free than their descriptors: what is in use may be missing", n)
	}
	if sum[mistyped] > 0 {
		short("%d entries of folders name another kind of file than their inodes are: what they named may be missing", sum[mistyped])
	}
	if sum[overnamed] > 0 {
		short("%d files have more names than their inodes count: what some of these named may be missing", sum[overnamed])
	}
	if l.Complete { // else what was not read explains it
		if sum[undernamed] > 0 {
			short("%d files have fewer names than their inodes count: names are missing", sum[undernamed])
		}
		if sum[miscounted] > 0 {
			short("%d folders hold another number of folders than their inodes count", sum[miscounted])
		}
		if unclaimed > 0 && sum[cut] == 0 && t.claimed.unproved == 0 {
			short("%d bytes are in use by the block bitmaps, and nothing that was read claims them: content of files is missing", unclaimed)
		}
	}
	also := func(n int64, format string) {
		if n > 0 {
			l.Why = append(l.Why, fmt.Sprintf(format, n))
		}
	}
	also(sum[doubtful], "%d inodes contradict themselves: their content is not vouched for")
	also(sum[crossed], "%d inodes claim blocks that are claimed more than once: their content is not vouched for")
	also(sum[freed], "%d inodes claim blocks that the block bitmaps call free: their content is not vouched for")
	also(sum[idle], "%d inodes that folders name are free by the inode bitmaps: they are not vouched for")
	also(sum[staleNames], "%d names of inodes that are not in use are left out")
	also(sum[orphans], "%d inodes were being deleted and are left out")
	return l, nil
}

// needed is what the volume needs that belongs to no listed entry.
func (v *Volume) needed(t *tree) []ranges.Range {
	l := needs.New(v.r, needs.Most)
	if v.sbAt != superblockAt || !v.sb.Whole {
		l.Add(v.start+superblockAt, superblockSize)
	}
	if len(v.journal.pending) > 0 {
		l.AddAll(v.journal.needed())
	}
	root := v.readInode(rootInode)
	if root.state != recordLive {
		l.AddAll(v.needsOfRecord(rootInode))
	} else if f := t.find(rootInode); f != nil && f.cut {
		c := contents{newMapper(v.layout), &t.claimed}.of(&root.inode)
		l.AddAll(v.needsOfFolder(&c))
	}
	return l.Ranges()
}

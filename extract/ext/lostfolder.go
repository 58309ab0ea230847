package ext

import (
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	"fileassay/extract"
	"fileassay/extract/claims"
	"fileassay/extract/partial"
)

// A folder whose inode is unread has its entries somewhere all the same. Its
// first block says whose it is: "." names the folder, ".." the one it lies in.
// So where such a folder is missed, the blocks that are allocated but that no
// inode that was read claims are searched for it. Where the volume keeps
// checksums, the first block also tells the seed of the folder's checksums,
// which proves which further blocks are its own.
//
// What is found this way locates no content: it gives names to inodes that
// were read, and is believed only where these agree with it.

const (
	maxSearch  = 4 << 30 // bytes that are searched
	maxMissed  = 1 << 16 // folders that are searched for
	maxChecks  = 1 << 21 // entries that are held against inodes
	maxFoundIn = 8       // blocks that claim to be one folder's first
)

// lostBlock is a block that a search found.
type lostBlock struct {
	block  uint64
	parent uint32
	key    uint32 // of the folder's checksums
	keyed  bool
	leaf   bool // it holds entries, not the root of an index
}

// lostFolders searches for the entries of folders whose inodes are unread.
type lostFolders struct {
	*tree
	space  *space
	firsts map[uint32][]lostBlock // first blocks, by folder
	leaves map[uint32][]uint64    // blocks of entries, by the key of their checksums
	checks int                    // entries that may still be held against inodes

	// What a round found. It is joined with the tree behind the round, since
	// the tree is searched by halves meanwhile.
	newNames   nameList
	newFolders []folder
}

// findLostFolders searches for the entries of folders whose inodes are unread
// and adds them to the tree. c is what inodes that were read claim.
func (t *tree) findLostFolders(ctx context.Context, w *space, c *claimed) error {
	missed := t.missedFolders()
	if len(missed) == 0 {
		return nil
	}
	l := lostFolders{tree: t, space: w, firsts: map[uint32][]lostBlock{}, leaves: map[uint32][]uint64{}, checks: maxChecks}
	if err := l.search(ctx, c); err != nil {
		return err
	}
	tried := map[uint32]bool{}
	for len(missed) > 0 { // what is found may name more that are missed
		for _, n := range missed {
			tried[n] = true
			l.adopt(n)
		}
		t.names.append(&l.newNames)
		t.folders = append(t.folders, l.newFolders...)
		l.newNames, l.newFolders = nameList{}, nil
		slices.SortFunc(t.folders, func(a, b folder) int { return cmp.Compare(a.number, b.number) })
		t.names.sort()
		missed = slices.DeleteFunc(t.missedFolders(), func(n uint32) bool { return tried[n] })
	}
	return nil
}

// missedFolders are the folders that something names but whose inode is unread
// or condemned, in order.
func (t *tree) missedFolders() []uint32 {
	seen := map[uint32]bool{}
	var out []uint32
	miss := func(n uint32) {
		if n == 0 || n > t.sb.Inodes || seen[n] || len(seen) >= maxMissed || n != rootInode && t.ownInode(n) || t.find(n) != nil {
			return
		}
		seen[n] = true
		if s := t.readInode(n).state; s == recordUnread || s == recordCondemned {
			out = append(out, n)
		}
	}
	miss(rootInode)
	for i := range t.folders {
		if !t.folders[i].unused {
			miss(t.folders[i].parent)
		}
	}
	for _, n := range t.names.list {
		if n.kind() == direntFolder || n.kind() == direntUnknown && t.sb.Incompat&incompatFiletype == 0 {
			miss(n.child)
		}
	}
	slices.Sort(out)
	return out
}

// errEnough ends a search that has come to its bound.
var errEnough = errors.New("enough")

// search looks through the blocks that may be in use but that no inode that was
// read claims.
func (l *lostFolders) search(ctx context.Context, c *claimed) error {
	area := claims.Owned{Files: c.All()}
	area.Files.AddAll(&c.attributes)
	area.Structures.AddAll(&l.space.owned.Structures)
	left := int64(maxSearch)
	end := l.span(l.count, 0).Start
	const most = 64
	buf := make([]byte, most*l.bs)
	err := area.Space(l.start, l.space.length, l.space.allocation)(ctx, func(start, length int64, use extract.Use) error {
		if use != extract.UseUnclaimed && use != extract.UseUnknown || start >= end {
			return nil
		}
		length = min(length, end-start, left)
		first := uint64((start - l.start) / l.bs)
		for block, after := first, first+uint64(length/l.bs); block < after; block += most {
			if err := ctx.Err(); err != nil {
				return err
			}
			n := min(most, after-block)
			b := l.read(buf[:int64(n)*l.bs], block)
			for i := range n {
				if !b.None() {
					l.lookAt(b.Slice(int(i)*int(l.bs), int(l.bs)), block+i)
				}
			}
		}
		if left -= length; left <= 0 {
			return errEnough
		}
		return nil
	})
	if errors.Is(err, errEnough) {
		return nil
	}
	return err
}

// lookAt notes a block that may be a folder's: a first block of one that is not
// known, or one of entries whose checksum tells a key.
func (l *lostFolders) lookAt(b partial.Bytes, block uint64) {
	x := lostBlock{block: block, leaf: true}
	if l.sb.metadataCsum() && b.Whole() {
		if x.key, x.leaf, x.keyed = folderKey(&l.sb, b.Data); !x.keyed {
			return
		}
	}
	if !b.Has(0, firstEntries) {
		return
	}
	if f, ok := folderBlock(b.Data); ok && f.self <= l.sb.Inodes && f.parent <= l.sb.Inodes {
		if x.parent = f.parent; len(l.firsts[f.self]) < maxFoundIn && l.find(f.self) == nil {
			l.firsts[f.self] = append(l.firsts[f.self], x)
		}
	} else if x.keyed && x.leaf {
		l.leaves[x.key] = append(l.leaves[x.key], block)
	}
}

// folderKey is a number that all blocks of entries of one folder share on a
// volume with checksums: what the folder's seed makes of as many zero bytes as
// the checksum covers, which for a block of entries is its checksum against
// that of the same bytes from zero, as the sum is linear. ok is false where
// the block can be none of a folder's.
func folderKey(sb *superblock, b []byte) (key uint32, leaf, ok bool) {
	t := len(b) - direntTailSize
	if seed, ok := indexSeed(sb, b); ok {
		return crc32c(seed, make([]byte, t)), false, true
	}
	sum, ok := entriesChecksum(sb, b)
	return sum ^ crc32c(0, b[:t]), true, ok
}

// indexSeed finds the seed with which the root of a folder's index passes its
// checksum, by running the sum backwards.
func indexSeed(sb *superblock, b []byte) (seed uint32, ok bool) {
	head, ok := indexHead(sb, b)
	if !ok || head != indexRootHead || binary.LittleEndian.Uint16(b[head+2:]) == 0 {
		return 0, false
	}
	covered, sum, ok := indexChecksum(b, head)
	return uncrc32c(sum, covered[:]...), ok
}

// adopt takes the entries of a missed folder from the blocks that were found
// for it, if they agree with the inodes that they name.
func (l *lostFolders) adopt(n uint32) {
	var names nameList
	var from lostBlock
	agree := 0
	for _, x := range l.firsts[n] {
		got, ok := l.readLost(n, x)
		if !ok || len(got.list) == 0 {
			continue
		}
		agree++
		names, from = got, x
	}
	if agree != 1 {
		return // nothing, or older versions between which nothing decides
	}
	l.newNames.append(&names)
	l.newFolders = append(l.newFolders, folder{number: n, parent: from.parent, name: -1, cut: true})
	for _, block := range l.blocksOf(from) {
		l.space.own(l.span(block, 1))
	}
	l.found++
	l.why[n] = append(l.why[n], fmt.Sprintf("entries of it were found in block %d", from.block))
}

// blocksOf are the blocks found of the folder with a first block.
func (l *lostFolders) blocksOf(first lostBlock) []uint64 {
	out := []uint64{first.block}
	if first.keyed {
		out = append(out, l.leaves[first.key]...)
	}
	return out
}

// readLost reads the entries behind one first block. ok is false where an
// entry contradicts the inode that it names, or where neither an inode nor the
// folder above bears the block out.
func (l *lostFolders) readLost(n uint32, first lostBlock) (names nameList, ok bool) {
	buf := make([]byte, l.bs)
	borne, ok := 0, true
	for i, block := range l.blocksOf(first) {
		if i == 0 && !first.leaf {
			continue
		}
		walkDirents(&l.sb, l.read(buf, block), false, func(d dirent) {
			if string(d.Name) == "." || string(d.Name) == ".." || !ok {
				return
			}
			if l.checks--; l.checks < 0 || d.Inode == rootInode || l.ownInode(d.Inode) {
				ok = false
				return
			}
			switch l.bearsOut(n, d) {
			case agrees:
				borne++
			case contradicts:
				ok = false
				return
			}
			names.add(n, d.Inode, d.Type, d.Name)
		})
	}
	return names, ok && (borne > 0 || l.expects(n, first.parent))
}

// expects reports whether folder n is known to lie in folder parent: the root
// in itself, any other by a name there.
func (t *tree) expects(n, parent uint32) bool {
	if n == rootInode {
		return parent == rootInode
	}
	return slices.ContainsFunc(t.names.of(n), func(x name) bool {
		return x.parent == parent && (x.kind() == direntFolder || x.kind() == direntUnknown)
	})
}

// What an inode says to an entry that names it.
const (
	silent = iota // it is unread, and may be in use
	agrees
	contradicts
)

// bearsOut holds an entry against the inode that it names.
func (t *tree) bearsOut(n uint32, d dirent) int {
	rec := t.readInode(d.Inode)
	switch rec.state {
	case recordUnread, recordCondemned:
		g, i, _ := t.groupOf(d.Inode)
		if m := t.inodeBitmap(g); !m.mayBeUsed(i) {
			return contradicts
		}
		return silent
	case recordFree:
		return contradicts
	}
	if d.Type != direntUnknown && d.Type != direntType(rec.kind()) {
		return contradicts
	}
	known := len(t.names.of(d.Inode))
	if rec.isFolder() {
		if f := t.find(d.Inode); known > 0 || f == nil || f.parent != 0 && f.parent != n {
			return contradicts
		}
		return agrees
	}
	if known >= int(rec.Links) {
		return contradicts
	}
	return agrees
}

package ext

import (
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	"fileassay/extract"
	"fileassay/extract/bitmap"
	"fileassay/extract/claims"
	"fileassay/extract/partial"
)

// A folder whose inode is unread, is garbage, or does not say where all of its
// blocks lie has its entries somewhere all the same. Its first block says whose
// it is: "." names the folder, ".." the one it lies in. So where such a folder
// is missed, the blocks that are allocated but that no inode that was read claims
// are searched for it, and those that its own inode claims. Where the volume keeps
// checksums, the first block also tells the seed of the folder's checksums,
// which proves which further blocks are its own.
//
// What is found this way locates no content: it gives names to inodes that
// were read, and is believed only where most of these agree with it.

const (
	maxSearch  = 4 << 30 // bytes that are searched
	maxMissed  = 1 << 16 // folders that are searched for
	maxChecks  = 1 << 21 // entries that are held against inodes
	maxFoundIn = 8       // blocks that claim to be one folder's first
	maxClaims  = 1 << 18 // blocks that are looked at because the inode of a missed folder claims them
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
	looked map[uint64]bool        // blocks that inodes of missed folders claim
	checks int                    // entries that may still be held against inodes

	// What a round found. It is joined with the tree behind the round, since
	// the tree is searched by halves meanwhile.
	newNames   nameList
	newFolders []folder
	joined     map[uint32]uint32 // folders above those that were there, by number
}

// findLostFolders searches for the entries of folders whose inodes are unread
// and adds them to the tree. c is what inodes that were read claim.
func (t *tree) findLostFolders(ctx context.Context, w *space, c *claimed) error {
	missed := t.missedFolders()
	if len(missed) == 0 {
		return nil
	}
	l := lostFolders{tree: t, space: w, firsts: map[uint32][]lostBlock{}, leaves: map[uint32][]uint64{}, looked: map[uint64]bool{}, checks: maxChecks, joined: map[uint32]uint32{}}
	if err := l.search(ctx, c); err != nil {
		return err
	}
	tried := map[uint32]bool{}
	for len(missed) > 0 { // what is found may name more that are missed
		for _, n := range missed {
			tried[n] = true
			l.searchClaims(n)
		}
		for _, n := range missed {
			l.adopt(n)
		}
		t.names.append(&l.newNames)
		t.folders = append(t.folders, l.newFolders...)
		l.newNames, l.newFolders = nameList{}, nil
		slices.SortFunc(t.folders, func(a, b folder) int { return cmp.Compare(a.number, b.number) })
		for n, parent := range l.joined {
			f := t.find(n)
			f.cut, f.parent = true, cmp.Or(f.parent, parent)
		}
		t.names.sort()
		missed = slices.DeleteFunc(t.missedFolders(), func(n uint32) bool { return tried[n] })
	}
	return nil
}

// missedFolders are the folders that something names but whose inode is unread
// or garbage, and those of which blocks are astray, in order.
func (t *tree) missedFolders() []uint32 {
	seen := map[uint32]bool{}
	var out []uint32
	miss := func(n uint32) {
		if n == 0 || n > t.sb.Inodes || seen[n] || len(seen) >= maxMissed || n != rootInode && t.ownInode(n) {
			return
		}
		if f := t.find(n); f != nil && (!f.astray || f.unused) {
			return
		}
		seen[n] = true
		if t.find(n) != nil || t.mayBeFolder(n) {
			out = append(out, n)
		}
	}
	miss(rootInode)
	for i := range t.folders {
		if f := &t.folders[i]; !f.unused {
			miss(f.parent)
			if f.astray {
				miss(f.number)
			}
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

// mayBeFolder reports whether an inode that something calls a folder may be one
// although it was not read as one.
func (t *tree) mayBeFolder(n uint32) bool {
	switch t.readInode(n).state {
	case recordFree:
		g, i, _ := t.groupOf(n)
		m := t.inodeBitmap(g)
		return m.mayBeUsed(i)
	case recordLive: // of another kind: it, or what names it, is garbage
		return t.sb.Incompat&incompatFiletype != 0
	}
	return true
}

// errEnough ends a search that has come to its bound.
var errEnough = errors.New("enough")

// searchClaims looks at the blocks that the inode of a missed folder claims, which
// may be its own or another's that is missed.
func (l *lostFolders) searchClaims(n uint32) {
	rec := l.readInode(n)
	if rec.state != recordLive || rec.Flags&inodeInlineData != 0 || rec.isLink() || !rec.isFolder() && !rec.isFile() {
		return
	}
	buf := make([]byte, l.bs)
	for _, r := range newMapper(l.layout).mapInode(&rec.inode).Runs {
		for b := r.Physical; b < r.Physical+r.Length && r.Kind == runData && len(l.looked) < maxClaims; b++ {
			if !l.looked[b] {
				l.looked[b] = true
				l.lookAt(l.read(buf, b), b)
			}
		}
	}
}

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
		known := l.find(f.self)
		if x.parent = f.parent; len(l.firsts[f.self]) < maxFoundIn && (known == nil || !known.first) {
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
	firsts, known := l.firsts[n], l.find(n)
	if known != nil && l.sb.metadataCsum() { // its inode tells the key, also of blocks behind a first one that is not at hand
		own := lostBlock{key: crc32c(known.seed, make([]byte, l.bs-direntTailSize)), keyed: true}
		firsts = slices.DeleteFunc(slices.Clone(firsts), func(x lostBlock) bool { return x.key != own.key })
		if len(firsts) == 0 {
			firsts = []lostBlock{own}
		}
	}
	var names nameList
	var from lostBlock
	agree := 0
	for _, x := range firsts {
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
	if known != nil {
		l.joined[n] = from.parent
	} else {
		l.newFolders = append(l.newFolders, folder{number: n, parent: from.parent, name: -1, cut: true})
	}
	blocks := l.blocksOf(from)
	for _, block := range blocks {
		l.space.own(l.span(block, 1))
	}
	l.found++
	l.why[n] = append(l.why[n], fmt.Sprintf("entries of it were found in block %d", blocks[0]))
}

// blocksOf are the blocks found of the folder with a first block.
func (l *lostFolders) blocksOf(first lostBlock) (out []uint64) {
	if first.block > 0 {
		out = append(out, first.block)
	}
	if first.keyed {
		out = append(out, l.leaves[first.key]...)
	}
	return out
}

// readLost reads the entries behind one first block. ok is false where too many
// contradict the inodes that they name, or where neither an inode nor the folder
// above bears the block out.
func (l *lostFolders) readLost(n uint32, first lostBlock) (names nameList, ok bool) {
	buf := make([]byte, l.bs)
	borne, disputed, against := 0, 0, 0
	for _, block := range l.blocksOf(first) {
		if block == first.block && !first.leaf {
			continue
		}
		walkDirents(&l.sb, l.read(buf, block), false, func(d dirent) {
			if string(d.Name) == "." || string(d.Name) == ".." || l.checks < 0 {
				return
			}
			if d.Inode == rootInode || l.ownInode(d.Inode) {
				against++
				return
			}
			l.checks--
			if l.named(n, d) {
				return
			}
			switch l.bearsOut(n, d) {
			case agrees:
				borne++
			case contradicts:
				against++
				return
			case disputes:
				disputed++
			}
			names.add(n, d.Inode, d.Type, d.Name)
		})
	}
	switch {
	case l.checks < 0:
		return names, false
	case first.keyed && l.find(n) != nil: // by the seed of its inode
		return names, true
	case l.expects(n, first.parent):
		return names, 4*against <= borne
	}
	return names, borne > 0 && 4*(against+disputed) <= borne
}

// named reports whether an entry of folder n is known already.
func (t *tree) named(n uint32, d dirent) bool {
	return slices.ContainsFunc(t.names.of(d.Inode), func(x name) bool { return x.parent == n && string(t.names.text(x)) == string(d.Name) })
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
	silent      = iota // it is unread or garbage, and may be in use
	agrees             // it may be what the entry names
	disputes           // it is another, or it is garbage
	contradicts        // it is another's or nobody's
)

// bearsOut holds an entry against the inode that it names.
func (t *tree) bearsOut(n uint32, d dirent) int {
	rec := t.readInode(d.Inode)
	if rec.state != recordLive {
		g, i, _ := t.groupOf(d.Inode)
		switch m := t.inodeBitmap(g); {
		case !m.mayBeUsed(i):
			return contradicts
		case rec.state == recordFree && !(m.sure && m.Get(int64(i)) == bitmap.Set):
			return disputes
		}
		return silent
	}
	if d.Type != direntUnknown && d.Type != direntType(rec.kind()) {
		return disputes
	}
	known := len(t.names.of(d.Inode))
	if rec.isFolder() {
		if f := t.find(d.Inode); known > 0 || f == nil || f.parent != 0 && f.parent != n {
			return contradicts
		}
		return agrees
	}
	if known >= int(rec.Links) {
		return disputes
	}
	return agrees
}

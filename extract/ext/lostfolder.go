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
	"fileassay/extract/ranges"
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
	folder uint32 // 0 where it is no first block
	parent uint32
	key    uint32 // of the folder's checksums
	keyed  bool
	leaf   bool // it holds entries, not the root of an index
}

// findLostFolders searches for the entries of folders whose inodes are unread
// and adds them to the tree.
func (t *tree) findLostFolders(ctx context.Context) error {
	missed := t.missedFolders()
	if len(missed) == 0 {
		return nil
	}
	area, err := t.v.unclaimedSpans(ctx)
	if err != nil {
		return err
	}
	firsts, leaves, err := t.search(ctx, area)
	if err != nil {
		return err
	}
	checks := maxChecks
	tried := map[uint32]bool{}
	for len(missed) > 0 { // what is found may name more that are missed
		for _, n := range missed {
			tried[n] = true
			t.adopt(n, firsts[n], leaves, &checks)
		}
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
		if n == 0 || n > t.v.sb.Inodes || seen[n] || len(seen) >= maxMissed || n != rootInode && t.v.ownInode(n) || t.find(n) != nil {
			return
		}
		seen[n] = true
		if s := t.v.readInode(n).state; s == recordUnread || s == recordCondemned {
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
		if n.kind() == direntFolder || n.kind() == direntUnknown && t.v.sb.Incompat&incompatFiletype == 0 {
			miss(n.child)
		}
	}
	slices.Sort(out)
	return out
}

// errEnough ends a search that has come to its bound.
var errEnough = errors.New("enough")

// unclaimedSpans are the blocks, as ranges of the image, that may be in use
// but that no inode that was read claims.
func (v *Volume) unclaimedSpans(ctx context.Context) ([]ranges.Range, error) {
	var claims claims.Owned
	for s := range v.claims.Structures.All() {
		claims.Structures.Add(s.Start, s.End-s.Start)
	}
	chunks := v.chunks(false)
	err := extract.InOrder(ctx, v.opt.Workers(), len(chunks),
		func(_ context.Context, i int) ([]ranges.Range, error) {
			buf := v.scratch.Get().(*[]byte)
			defer v.scratch.Put(buf)
			p := v.newMapper()
			var out []ranges.Range
			v.readChunk(chunks[i], buf, func(_ uint32, rec *record) {
				if rec.state == recordLive {
					c := p.contentOf(&rec.inode)
					out = append(append(out, c.files...), c.own...)
				}
			})
			return out, nil
		},
		func(spans []ranges.Range) error {
			for _, s := range spans {
				claims.Files.Add(s.Start, s.End-s.Start)
			}
			return nil
		})
	if err != nil {
		return nil, err
	}
	var out []ranges.Range
	left := int64(maxSearch)
	end := v.start + int64(v.sb.Blocks)*v.bs
	err = claims.Space(v.start, v.length, v.allocation)(ctx, func(start, length int64, use extract.Use) error {
		if use != extract.UseUnclaimed && use != extract.UseUnknown || start >= end {
			return nil
		}
		length = min(length, end-start, left)
		out = append(out, ranges.Range{Start: start, End: start + length})
		if left -= length; left <= 0 {
			return errEnough
		}
		return nil
	})
	if errors.Is(err, errEnough) {
		err = nil
	}
	return out, err
}

// search looks through the area for first blocks of folders that are not
// known, and for all blocks of entries by the key of their checksums.
func (t *tree) search(ctx context.Context, area []ranges.Range) (firsts map[uint32][]lostBlock, leaves map[uint32][]uint64, err error) {
	v := t.v
	firsts, leaves = map[uint32][]lostBlock{}, map[uint32][]uint64{}
	const most = 64
	buf := make([]byte, most*v.bs)
	for _, s := range area {
		block, end := uint64((s.Start-v.start)/v.bs), uint64((s.End-v.start)/v.bs)
		for ; block < end; block += most {
			if err := ctx.Err(); err != nil {
				return nil, nil, err
			}
			n := min(most, end-block)
			if v.noneRead(block, n) {
				continue
			}
			b := buf[:int64(n)*v.bs]
			unread := v.readBlocksReadable(b, block)
			for i := range n {
				off := int64(i) * v.bs
				var mine gaps
				if unread != nil {
					mine = unread.within(off, v.bs)
				}
				l, ok := v.lookAt(b[off:off+v.bs], mine, block+i)
				if !ok {
					continue
				}
				if l.folder != 0 && len(firsts[l.folder]) < maxFoundIn && t.find(l.folder) == nil {
					firsts[l.folder] = append(firsts[l.folder], l)
				}
				if l.folder == 0 && l.keyed && l.leaf {
					leaves[l.key] = append(leaves[l.key], l.block)
				}
			}
		}
	}
	return firsts, leaves, nil
}

// lookAt tells whether a block may be a folder's.
func (v *Volume) lookAt(b []byte, unread gaps, block uint64) (l lostBlock, ok bool) {
	l.block = block
	if v.sb.metadataCsum() && unread == nil {
		l.key, l.leaf, l.keyed = folderKey(&v.sb, b)
		if !l.keyed {
			return l, false
		}
	} else {
		l.leaf = true
	}
	if unread.touches(0, 24) {
		return l, false
	}
	dot, err := parseDirent(&v.sb, b, 0)
	if err != nil || dot.Next != 12 || string(dot.Name) != "." || dot.Inode == 0 {
		return l, l.keyed && l.leaf
	}
	up, err := parseDirent(&v.sb, b, 12)
	if err != nil || string(up.Name) != ".." || up.Inode == 0 || dot.Type > direntFolder || up.Type > direntFolder {
		return l, l.keyed && l.leaf
	}
	l.folder, l.parent = dot.Inode, up.Inode
	return l, true
}

// folderKey is a number that all blocks of entries of one folder share on a
// volume with checksums: what the folder's seed makes of as many zero bytes as
// the checksum covers, which for a block of entries is its checksum against
// that of the same bytes from zero, as the sum is linear. ok is false where
// the block can be none of a folder's.
func folderKey(sb *superblock, b []byte) (key uint32, leaf, ok bool) {
	le := binary.LittleEndian
	t := len(b) - direntTailSize
	if sum, is := indexSeed(sb, b); is {
		return crc32c(sum, make([]byte, t)), false, true
	}
	if le.Uint32(b[t:]) == 0 && recLen(le.Uint16(b[t+4:]), sb.blockSize()) == direntTailSize && b[t+6] == 0 && b[t+7] == direntTailType {
		return le.Uint32(b[t+8:]) ^ crc32c(0, b[:t]), true, true
	}
	return 0, false, false
}

// indexSeed finds the seed with which the root of a folder's index passes its
// checksum, by running the sum backwards.
func indexSeed(sb *superblock, b []byte) (seed uint32, ok bool) {
	le := binary.LittleEndian
	const head = 32
	if recLen(le.Uint16(b[4:]), sb.blockSize()) != 12 || recLen(le.Uint16(b[16:]), sb.blockSize()) != len(b)-12 || b[29] != 8 {
		return 0, false
	}
	limit, count := int(le.Uint16(b[head:])), int(le.Uint16(b[head+2:]))
	tail := head + 8*limit
	if count == 0 || count > limit || tail+8 > len(b) {
		return 0, false
	}
	c := le.Uint32(b[tail+4:])
	c = uncrc32c(c, []byte{0, 0, 0, 0})
	c = uncrc32c(c, b[tail:tail+4])
	return uncrc32c(c, b[:head+8*count]), true
}

// adopt takes the entries of a missed folder from the blocks that were found
// for it, if they agree with the inodes that they name.
func (t *tree) adopt(n uint32, firsts []lostBlock, leaves map[uint32][]uint64, checks *int) {
	var names nameList
	var from lostBlock
	agree := 0
	for _, l := range firsts {
		got, ok := t.readLost(n, l, leaves, checks)
		if !ok || len(got.list) == 0 {
			continue
		}
		agree++
		names, from = got, l
	}
	if agree != 1 {
		return // nothing, or older versions between which nothing decides
	}
	t.names.append(&names)
	t.folders = append(t.folders, folder{number: n, parent: from.parent, name: -1, cut: true})
	t.lost = append(t.lost, from.block)
	if from.keyed {
		t.lost = append(t.lost, leaves[from.key]...)
	}
	t.found++
	t.why[n] = append(t.why[n], fmt.Sprintf("entries of it were found in block %d", from.block))
}

// readLost reads the entries behind one first block. ok is false where an
// entry contradicts the inode that it names, or where neither an inode nor the
// folder above bears the block out.
func (t *tree) readLost(n uint32, l lostBlock, leaves map[uint32][]uint64, checks *int) (names nameList, ok bool) {
	v := t.v
	blocks := []uint64{l.block}
	if l.keyed {
		blocks = append(blocks, leaves[l.key]...)
	}
	buf := make([]byte, v.bs)
	borne, ok := 0, true
	for i, block := range blocks {
		if i == 0 && !l.leaf {
			continue
		}
		unread := v.readBlockReadable(buf, block)
		walkDirents(&v.sb, buf, unread, false, func(d dirent) {
			if string(d.Name) == "." || string(d.Name) == ".." || !ok {
				return
			}
			if *checks--; *checks < 0 || d.Inode == rootInode || v.ownInode(d.Inode) {
				ok = false
				return
			}
			switch t.bearsOut(n, d) {
			case agrees:
				borne++
			case contradicts:
				ok = false
				return
			}
			names.add(n, d.Inode, d.Type, d.Name)
		})
	}
	return names, ok && (borne > 0 || t.expects(n, l.parent))
}

// expects reports whether folder n is known to lie in folder parent: the root
// in itself, any other by a name there.
func (t *tree) expects(n, parent uint32) bool {
	if n == rootInode {
		return parent == rootInode
	}
	for k := t.names.from(n); k < len(t.names.list) && t.names.list[k].child == n; k++ {
		if t.names.list[k].parent == parent && (t.names.list[k].kind() == direntFolder || t.names.list[k].kind() == direntUnknown) {
			return true
		}
	}
	return false
}

// What an inode says to an entry that names it.
const (
	silent = iota // it is unread, and may be in use
	agrees
	contradicts
)

// bearsOut holds an entry against the inode that it names.
func (t *tree) bearsOut(n uint32, d dirent) int {
	rec := t.v.readInode(d.Inode)
	switch rec.state {
	case recordUnread, recordCondemned:
		bm := t.v.inodeBitmap(uint64((d.Inode - 1) / t.v.sb.InodesPerGroup))
		if set, known := bm.get((d.Inode - 1) % t.v.sb.InodesPerGroup); known && !set && bm.sure {
			return contradicts
		}
		return silent
	case recordFree:
		return contradicts
	}
	if d.Type != direntUnknown && d.Type != direntType(rec.kind()) {
		return contradicts
	}
	known := 0
	for k := t.names.from(d.Inode); k < len(t.names.list) && t.names.list[k].child == d.Inode; k++ {
		known++
	}
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

// direntType is the file type that an entry has for a kind of inode.
func direntType(kind uint16) uint8 {
	switch kind {
	case modeFile:
		return direntFile
	case modeFolder:
		return direntFolder
	case modeChar:
		return 3
	case modeBlock:
		return 4
	case modeFIFO:
		return 5
	case modeSocket:
		return 6
	case modeLink:
		return direntLink
	}
	return direntUnknown
}

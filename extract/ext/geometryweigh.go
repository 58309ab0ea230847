package ext

import (
	"cmp"
	"encoding/binary"
	"slices"

	"fileassay/extract/partial"
)

// voice is a folder that speaks for a candidate.
type voice struct {
	candidate
	self uint32
}

// mostVoted are the candidates that at least two folders speak for, those with
// the most first.
func mostVoted(votes []voice) []candidate {
	byCandidate := func(a, b candidate) int {
		return cmp.Or(cmp.Compare(a.table, b.table), cmp.Compare(a.log, b.log), cmp.Compare(a.size, b.size))
	}
	slices.SortFunc(votes, func(a, b voice) int {
		return cmp.Or(byCandidate(a.candidate, b.candidate), cmp.Compare(a.self, b.self))
	})
	votes = slices.Compact(votes) // a folder has one voice
	type counted struct {
		candidate
		n int
	}
	var list []counted
	for i := 0; i < len(votes); {
		from := i
		for i < len(votes) && votes[i].candidate == votes[from].candidate {
			i++
		}
		if i-from >= minFolders {
			list = append(list, counted{votes[from].candidate, i - from})
		}
	}
	slices.SortStableFunc(list, func(a, b counted) int { return cmp.Compare(b.n, a.n) })
	var out []candidate
	for _, c := range list[:min(len(list), maxGeometries)] {
		out = append(out, c.candidate)
	}
	return out
}

// bytesAt are n bytes at a place of the volume, nil where not all were read.
func (w *weigher) bytesAt(at, n int64) []byte {
	if at < 0 || at > w.limit-n {
		return nil
	}
	b := make([]byte, n)
	if _, err := w.r.ReadAt(b, w.start+at); err != nil {
		return nil
	}
	return b
}

// weigh counts the entries of folders that agree with the inodes they name. ok
// is false where too few do, or more than one in twenty does not.
func (w *weigher) weigh(c candidate) (g *geometry, ok bool) {
	g = w.geometry(c)
	against, checked := 0, 0
	for _, f := range w.folders {
		if checked >= maxEntries {
			break
		}
		if !w.own(g, f) {
			continue // a remnant, or of another block size
		}
		b := w.bytesAt(f.at, g.sb.blockSize())
		if b == nil {
			continue
		}
		walkDirents(&g.sb, partial.Bytes{Data: b}, true, func(d dirent) {
			checked++
			g.used = max(g.used, d.Inode)
			raw := w.record(g, d.Inode)
			switch {
			case raw == nil:
			case agreesWith(d, raw):
				g.spoke++
			default:
				against++
			}
		})
	}
	return g, g.spoke >= minSpoke && 20*against <= g.spoke
}

// own reports whether the inode of a folder says that it begins where it does.
func (w *weigher) own(g *geometry, f folderSign) bool {
	raw := w.record(g, f.self)
	if raw == nil {
		return false
	}
	block, ok := folderInode(raw)
	return ok && int64(block)*g.sb.blockSize() == f.at
}

// record is the record of an inode, nil where it was not read.
func (w *weigher) record(g *geometry, number uint32) []byte {
	if number == 0 || number > g.sb.Inodes {
		return nil
	}
	return w.bytesAt(int64(g.table)*g.sb.blockSize()+int64(number-1)*int64(g.sb.InodeSize), int64(g.sb.InodeSize))
}

// agreesWith holds an entry against the record of the inode that it names.
func agreesWith(d dirent, raw []byte) bool {
	n, err := parseInode(&superblock{InodeSize: uint16(len(raw))}, d.Inode, raw)
	return err == nil && !n.free() && (d.Type == direntUnknown || d.Type == direntType(n.kind()))
}

// geometry makes one of a candidate, with as many inodes as fit in front of
// the first block that one of them claims, or that a folder begins in.
func (w *weigher) geometry(c candidate) *geometry {
	bs := int64(1024) << c.log
	g := &geometry{table: uint64(c.table / bs)}
	sb := &g.sb
	*sb = superblock{LogBlockSize: c.log, LogClusterSize: c.log, InodeSize: uint16(c.size), Blocks: uint64(w.limit / bs), Revision: 1,
		FirstInode: 11, DescSize: 32, ChecksumType: 1, Whole: true}
	if bs == 1024 {
		sb.FirstDataBlock = 1
	}
	typed := 0
	end := min(w.limit, c.table+8*bs*c.size) // a bitmap of one block tells of all inodes of a group
	for _, f := range w.folders {
		if f.at > c.table && f.at%bs == 0 {
			end = min(end, f.at)
		}
		if f.filetype {
			typed++
		}
	}
	if 2*typed > len(w.folders) {
		sb.Incompat |= incompatFiletype
	}
	for at := c.table; at+c.size <= end; at += c.size {
		raw := w.bytesAt(at, c.size)
		if raw == nil {
			continue
		}
		n, err := parseInode(sb, 1, raw)
		if err != nil || n.free() || n.kind() != modeFile && n.kind() != modeFolder {
			continue
		}
		if block, ok := firstBlock(n.Flags, n.Block[:]); ok && block > g.table && block < sb.Blocks {
			end = min(end, int64(block)*bs)
		}
	}
	sb.Inodes = uint32((end-c.table)/c.size) &^ 7
	sb.InodesPerGroup = sb.Inodes
	sb.BlocksPerGroup = uint32((sb.Blocks + 7) &^ 7)
	sb.ClustersPerGrp = sb.BlocksPerGroup
	return g
}

// complete tells the rest of a geometry that was chosen: the features that its
// inodes show, and the seed of their checksums.
func (w *weigher) complete(g *geometry) {
	sb := &g.sb
	seeds := map[uint32]int{}
	live := 0
	for number := uint32(1); number <= max(g.used, sb.FirstInode); number++ {
		raw := w.record(g, number)
		if raw == nil {
			continue
		}
		n, err := parseInode(sb, number, raw)
		if err != nil || n.free() || n.kind() == 0 {
			continue
		}
		sb.show(n.Flags)
		if seed, ok := inodeSeed(&n); ok {
			live++
			seeds[seed]++
		}
	}
	for seed, n := range seeds {
		if n >= minSpoke && 2*n > live {
			sb.RoCompat |= roMetadataCsum | roHugeFile
			sb.ChecksumSeed = seed
		}
	}
	if sb.metadataCsum() { // then an inode that no folder read names vouches for itself
		for number := g.used + 1; number <= sb.Inodes; number++ {
			if raw := w.record(g, number); raw != nil {
				if n, err := parseInode(sb, number, raw); err == nil && !n.free() {
					g.used = number
				}
			}
		}
	}
	perBlock := uint32(sb.blockSize()) / uint32(sb.InodeSize)
	g.used = min((max(g.used, sb.FirstInode)+perBlock-1)/perBlock*perBlock, sb.Inodes)
}

// show notes the features that an inode's flags tell of.
func (sb *superblock) show(flags uint32) {
	for _, f := range [...]struct{ flag, incompat uint32 }{
		{inodeExtents, incompatExtents}, {inodeInlineData, incompatInlineData}, {inodeEAInode, incompatEAInode},
		{inodeEncrypt, incompatEncrypt}, {inodeCasefold, incompatCasefold},
	} {
		if flags&f.flag != 0 {
			sb.Incompat |= f.incompat
		}
	}
	if flags&inodeHugeFile != 0 {
		sb.RoCompat |= roHugeFile
	}
}

// inodeSeed finds the volume's seed with which an inode passes its checksum,
// by running the sum backwards. ok is false where the inode has but half of a
// checksum, or none. ext4: checksums, "Inodes".
func inodeSeed(n *inode) (seed uint32, ok bool) {
	le := binary.LittleEndian
	raw := n.raw
	if len(raw) <= goodOldInodeSize+4 || le.Uint16(raw[goodOldInodeSize:]) < 4 {
		return 0, false
	}
	zero := []byte{0, 0}
	c := uint32(le.Uint16(raw[0x7C:])) | uint32(le.Uint16(raw[goodOldInodeSize+2:]))<<16
	c = uncrc32c(c, raw[goodOldInodeSize+4:])
	c = uncrc32c(c, zero)
	c = uncrc32c(c, raw[0x7E:goodOldInodeSize+2])
	c = uncrc32c(c, zero)
	c = uncrc32c(c, raw[:0x7C])
	c = uncrc32c(c, le.AppendUint32(nil, n.Generation))
	return uncrc32c(c, le.AppendUint32(nil, n.Number)), true
}

package ext

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"

	"fileassay/extract"
	"fileassay/extract/image"
)

// Where no copy of a group's descriptor was read, its folders and inodes still tell
// where its inodes stand: the inode of a folder says in which block that begins, and
// the "." entry there says which number the inode has. Without any superblock the same
// tells how large blocks and inodes are, and with tables in several groups how many
// inodes a group has. On a volume of one group, which has no copies, this is all
// there is: of a fixture with 444 entries (an ext4 of one group, its first blocks, bitmaps and
// two blocks of inodes unread) it lists 440, and nothing is listed without.
//
// That proves no file: they may be what is left of a volume that another was made
// over since, and what would tell is unread. So nothing listed by it is intact.

// Bounds of the search.
const (
	geometryLimit  = 256 << 20 // bytes of the volume that are looked at
	maxSigns       = 1 << 15   // folders, and inodes of folders
	minFolders     = 2         // that speak for a geometry, with
	minAgree       = 6         // entries of theirs that agree with inodes
	maxGeometries  = 8         // that are tried
	maxEntries     = 1 << 16   // of folders that are held against their inodes
	maxInodeSize   = 1024      // of those that are tried
	inodeAlignment = 128
)

// byRemains is what [OpenRemains] goes by where there is no superblock that passes
// its checks: what the volume's folders and inodes tell, or a superblock that does not
// if these do not speak against it.
func byRemains(ctx context.Context, r *image.Reader, start, limit int64) (found, error) {
	p := readPrimary(r, start)
	if p.why == "" {
		return found{}, notVolume(start, "%s", cmp.Or(p.unusable(), "its superblock was read"))
	}
	s, err := findSigns(ctx, r, start, limit)
	if err != nil {
		return found{}, err
	}
	doubt := extract.Doubt{p.why + " and no copy was found: whether this volume is what was last on the drive is not known"}
	g := s.geometry()
	if p.sane && p.unusable() == "" {
		if _, spoke := s.tables(&p.superblock, nil); g == nil || spoke >= g.spoke {
			return found{superblock: p.superblock, at: superblockAt, note: p.why + " and no copy was found: it is used as far as it goes", doubt: doubt}, nil
		}
	}
	if g == nil {
		return found{}, notVolume(start, "%s, no copy of it was found, and too few folders and inodes speak for each other", p.why)
	}
	note := fmt.Sprintf("%s and no copy of it was found: where the inodes lie was found from folders and inodes that speak for each other, %d folders in all", p.why, g.spoke)
	return found{superblock: g.superblock, tables: g.tables, at: -1, note: note, doubt: doubt}, nil
}

// guessTables finds where the groups without a descriptor have their inodes.
func guessTables(ctx context.Context, v *layout, limit int64) (map[uint64]groupDesc, error) {
	s, err := findSigns(ctx, v.r, v.start, min(limit, int64(v.count)*v.bs))
	if err != nil {
		return nil, err
	}
	tables, _ := s.tables(&v.sb, v.groups.list)
	return tables, nil
}

// tables finds where the groups that are not known have their inodes, each where most
// of its folders say; spoke are these. A journal holds older versions of inodes, a few
// blocks of them in a row: fewer speak for these.
func (s *signs) tables(sb *superblock, known []groupDesc) (out map[uint64]groupDesc, spoke int) {
	type voice struct {
		group, table uint64
		self         uint32
	}
	heard := map[voice]bool{}
	votes := map[voice]int{} // with no self
	bs, per := sb.blockSize(), sb.InodesPerGroup
	for _, n := range s.inodes {
		self, ok := s.self[int64(min(n.block, uint64(s.limit/bs)))*bs]
		if !ok || self > sb.Inodes {
			continue
		}
		g := uint64((self - 1) / per)
		at := n.at - int64((self-1)%per)*int64(sb.InodeSize)
		d := groupDesc{InodeTable: uint64(at / bs), Known: true, Guessed: true}
		v := voice{g, d.InodeTable, self}
		if known != nil && known[g].Known || heard[v] || at <= 0 || at%bs != 0 || !d.tableFits(sb, g) || !s.vouched(sb, n.at, self) {
			continue
		}
		heard[v] = true
		v.self = 0
		votes[v]++
	}
	out = map[uint64]groupDesc{}
	best := map[uint64]int{}
	for v, n := range votes {
		if n > best[v.group] || n == best[v.group] && v.table < out[v.group].InodeTable {
			best[v.group], out[v.group] = n, groupDesc{InodeTable: v.table, Known: true, Guessed: true}
		}
	}
	for _, n := range best {
		spoke += n
	}
	return out, spoke
}

// vouched reports whether the inode of a folder passes its checksum as number self, if
// the volume keeps these.
func (s *signs) vouched(sb *superblock, at int64, self uint32) bool {
	if !sb.metadataCsum() {
		return true
	}
	b := s.r.Partial(make([]byte, sb.InodeSize), s.start+at)
	_, err := parseInode(sb, self, b.Data)
	return b.Whole() && err == nil
}

// geometry is what folders and inodes tell of a volume without a superblock.
type geometry struct {
	superblock                      // as far as it could be told
	tables     map[uint64]groupDesc // of its groups
	spoke      int                  // folders that speak for it
}

// geometry is the one that most folders speak for; nil where too few do.
func (s *signs) geometry() *geometry {
	var all []*geometry
	votes := s.candidates()
	list := slices.SortedFunc(maps.Keys(votes), func(a, b candidate) int {
		return cmp.Or(cmp.Compare(votes[b].folders, votes[a].folders), cmp.Compare(a.table, b.table), cmp.Compare(a.log, b.log), cmp.Compare(a.size, b.size))
	})
	try := func(sb superblock) {
		s.complete(&sb)
		g := &geometry{superblock: sb}
		if g.tables, g.spoke = s.tables(&sb, nil); g.spoke >= minFolders && g.agrees(s) {
			all = append(all, g)
		}
	}
	for _, c := range list[:min(len(list), maxGeometries)] {
		try(s.oneGroup(c))
		tried := 0
		for _, o := range list {
			if o.log == c.log && o.size == c.size && o != c && tried < maxGeometries {
				tried++
				for _, sparse := range []bool{true, false} {
					if sb, ok := s.severalGroups(c, o, votes[o].at, sparse); ok {
						try(sb)
					}
				}
			}
		}
	}
	if len(all) == 0 {
		return nil
	}
	slices.SortStableFunc(all, func(a, b *geometry) int { return cmp.Compare(b.spoke, a.spoke) })
	return all[0]
}

// agrees reports whether the inodes are what the entries of folders name, but for one in
// twenty.
func (g *geometry) agrees(s *signs) bool {
	bs := g.blockSize()
	l := &layout{blocks: blocks{r: s.r, start: s.start, bs: bs, count: g.Blocks}, sb: g.superblock, sbAt: -1, tables: g.tables}
	l.loadGroups()
	v := newRecords(l, extract.Options{})
	agree, against := 0, 0
	buf := make([]byte, bs)
	for _, f := range s.folders {
		if agree+against >= maxEntries {
			break
		}
		if own := v.readInode(f.self); own.state != recordLive || !own.isFolder() || f.at%bs != 0 || v.folderOf(&own.inode) != f.self {
			continue // a remnant, or of another block size
		}
		walkDirents(&g.superblock, v.read(buf, uint64(f.at/bs)), true, func(d dirent) {
			switch rec := v.readInode(d.Inode); {
			case rec.state == recordUnread:
			case rec.state == recordLive && (d.Type == direntUnknown || d.Type == direntType(rec.kind())):
				agree++
			default:
				against++
			}
		})
	}
	return agree >= minAgree && 20*against <= agree
}

// plain is a superblock with what a candidate tells.
func (s *signs) plain(c candidate) superblock {
	bs := int64(1024) << c.log
	sb := superblock{LogBlockSize: c.log, LogClusterSize: c.log, InodeSize: uint16(c.size), Blocks: uint64(s.limit / bs), Revision: 1,
		FirstInode: 11, DescSize: 32, ChecksumType: 1, Whole: true}
	if bs == 1024 {
		sb.FirstDataBlock = 1
	}
	typed := 0
	for _, f := range s.folders {
		if f.filetype {
			typed++
		}
	}
	if 2*typed > len(s.folders) {
		sb.Incompat |= incompatFiletype
	}
	return sb
}

// oneGroup is a volume whose inodes stand in one row, with as many as fit in front of the
// first block that one of them claims, or that a folder begins in. So do those of the
// first groups of ext4 (ext4: blockgroup, "Flexible Block Groups").
func (s *signs) oneGroup(c candidate) superblock {
	sb := s.plain(c)
	bs := sb.blockSize()
	end := min(s.limit, c.table+8*bs*c.size) // a bitmap of one block tells of all inodes of a group
	for _, f := range s.folders {
		if f.at > c.table && f.at%bs == 0 {
			end = min(end, f.at)
		}
	}
	buf := make([]byte, 1<<20/c.size*c.size)
	for at := c.table; at < end; at += int64(len(buf)) {
		b := s.r.Partial(buf[:min(int64(len(buf)), end-at)], s.start+at)
		for i := 0; i+int(c.size) <= b.Len() && at+int64(i) < end; i += int(c.size) {
			raw, ok := b.Get(i, goodOldInodeSize)
			if !ok {
				continue
			}
			n, err := parseInode(&sb, 1, raw)
			if err != nil || n.free() || !n.isFile() && !n.isFolder() {
				continue
			}
			if block, ok := firstBlock(n.Flags, n.Block[:]); ok && block < sb.Blocks && int64(block)*bs > c.table {
				end = min(end, int64(block)*bs)
			}
		}
	}
	sb.BlocksPerGroup = uint32((sb.Blocks + 7) &^ 7)
	sb.InodesPerGroup = uint32((end-c.table)/c.size) &^ 7
	sb.Inodes = sb.InodesPerGroup
	return sb
}

// severalGroups is a volume with the first group's inodes where c says and those
// of another where o does; at is where one of the latter stands. Groups have the usual
// size, and their inodes stand behind the bitmaps: in a group with a copy of the
// superblock as far from its start as in the first one. ok is false where that gives
// no number of inodes.
func (s *signs) severalGroups(c, o candidate, at int64, sparse bool) (sb superblock, ok bool) {
	sb = s.plain(c)
	bs := sb.blockSize()
	sb.BlocksPerGroup = uint32(8 * bs)
	if sparse {
		sb.RoCompat |= roSparseSuper
	}
	if sb.Blocks <= uint64(sb.FirstDataBlock) || c.table/bs <= int64(sb.FirstDataBlock) || c.table/bs >= int64(sb.BlocksPerGroup) {
		return sb, false
	}
	g := (uint64(at/bs) - uint64(sb.FirstDataBlock)) / uint64(sb.BlocksPerGroup)
	if g == 0 || g >= sb.groups() {
		return sb, false
	}
	table := int64(sb.groupFirst(g))*bs + 2*bs
	if sb.hasSuper(g) {
		table = int64(sb.groupFirst(g)-sb.groupFirst(0))*bs + c.table
	}
	per := (table - o.table) / (int64(g) * c.size)
	if per <= 0 || per%8 != 0 || per > 8*bs || o.table+int64(g)*per*c.size != table {
		return sb, false
	}
	sb.InodesPerGroup, sb.Inodes = uint32(per), uint32(per)*uint32(sb.groups())
	return sb, uint64(per)*sb.groups() < 1<<32
}

// complete tells the rest of a superblock: the features that its folders' inodes show, and
// the seed of their checksums.
func (s *signs) complete(sb *superblock) {
	sb.ClustersPerGrp = sb.BlocksPerGroup
	seeds := map[uint32]int{}
	tables, spoke := s.tables(sb, nil)
	for _, x := range s.inodes {
		self := s.self[int64(min(x.block, uint64(s.limit/sb.blockSize())))*sb.blockSize()]
		if self == 0 || self > sb.Inodes {
			continue
		}
		d := tables[uint64((self-1)/sb.InodesPerGroup)]
		if x.at != int64(d.InodeTable)*sb.blockSize()+int64((self-1)%sb.InodesPerGroup)*int64(sb.InodeSize) {
			continue
		}
		b := s.r.Partial(make([]byte, sb.InodeSize), s.start+x.at)
		n, err := parseInode(sb, self, b.Data)
		if !b.Whole() || err != nil {
			continue
		}
		sb.show(n.Flags)
		if seed, ok := n.volumeSeed(); ok {
			seeds[seed]++
		}
	}
	for seed, n := range seeds {
		if n >= minFolders && 2*n > spoke {
			sb.RoCompat |= roMetadataCsum | roHugeFile
			sb.ChecksumSeed = seed
		}
	}
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

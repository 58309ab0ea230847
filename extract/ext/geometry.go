package ext

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"fileassay/extract"
	"fileassay/extract/image"
)

// geometry is what is known of a volume whose superblock is unread and has no
// copy, as on a volume of one group: where its inodes lie, and how large they
// and its blocks are. It was found from folders and inodes that speak for each
// other: the inode of a folder says in which block that begins, and the "."
// entry there says which number the inode has.
//
// That proves no file: they may be what is left of a volume that another was made
// over since, and what would tell is unread. So nothing listed by it is intact.
type geometry struct {
	*records        // with a superblock and the descriptor of the one group, as far as they could be told
	spoke    int    // entries that agree with the inode they name
	used     uint32 // inodes from the first that may be in use
}

// Bounds of the search.
const (
	geometryLimit  = 256 << 20 // bytes of the volume that are looked at
	maxSigns       = 1 << 15   // folders, and inodes of folders
	maxEntries     = 1 << 16   // of folders that are held against their inodes
	minFolders     = 2         // that speak for a geometry, with
	minSpoke       = 6         // entries that agree with their inodes
	maxGeometries  = 8         // that are held against entries
	maxInodeSize   = 1024      // of those that are tried
	inodeAlignment = 128
)

// byRemains is what [OpenRemains] goes by: what the volume's folders and inodes
// tell, if its superblock was not read. What was read and is none is no such
// volume.
func byRemains(ctx context.Context, r *image.Reader, start, limit int64) (found, error) {
	if _, _, unread := readSuper(r, start, superblockAt); !unread {
		return found{}, notVolume(start, "its superblock was read")
	}
	g, err := findGeometry(ctx, r, start, limit)
	switch {
	case err != nil:
		return found{}, err
	case g == nil:
		return found{}, notVolume(start, "neither its superblock nor a copy was read, and too few folders and inodes speak for each other")
	}
	note := fmt.Sprintf("the superblock was not read and no copy of it was found: where the inodes lie was found from folders and inodes that speak for each other, %d entries in all", g.spoke)
	return found{superblock: g.sb, group: &g.groups.list[0], at: -1, note: note,
		doubt: extract.Doubt{"the superblock is unread and no copy was found: whether this volume is what was last on the drive is not known"}}, nil
}

// findGeometry looks for the geometry of a volume at start whose superblock
// was not read; nil where nothing bears one out.
func findGeometry(ctx context.Context, r *image.Reader, start, limit int64) (*geometry, error) {
	s, err := findSigns(ctx, r, start, limit)
	if err != nil || len(s.folders) < minFolders {
		return nil, err
	}
	var list []*geometry
	for _, c := range s.candidates() {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if g := s.geometry(c); g.weigh(s) {
			list = append(list, g)
		}
	}
	slices.SortStableFunc(list, func(a, b *geometry) int { return cmp.Compare(b.spoke, a.spoke) })
	if len(list) == 0 || len(list) > 1 && 2*list[1].spoke > list[0].spoke {
		return nil, nil // nothing, or nothing decides
	}
	list[0].complete()
	return list[0], nil
}

// geometry makes one of a candidate, with as many inodes as fit in front of
// the first block that one of them claims, or that a folder begins in.
func (s *signs) geometry(c candidate) *geometry {
	bs := int64(1024) << c.log
	sb := superblock{LogBlockSize: c.log, LogClusterSize: c.log, InodeSize: uint16(c.size), Blocks: uint64(s.limit / bs), Revision: 1,
		FirstInode: 11, DescSize: 32, ChecksumType: 1, Whole: true}
	if bs == 1024 {
		sb.FirstDataBlock = 1
	}
	typed := 0
	end := min(s.limit, c.table+8*bs*c.size) // a bitmap of one block tells of all inodes of a group
	for _, f := range s.folders {
		if f.at > c.table && f.at%bs == 0 {
			end = min(end, f.at)
		}
		if f.filetype {
			typed++
		}
	}
	if 2*typed > len(s.folders) {
		sb.Incompat |= incompatFiletype
	}
	sb.BlocksPerGroup = uint32((sb.Blocks + 7) &^ 7)
	sb.ClustersPerGrp = sb.BlocksPerGroup
	table := uint64(c.table / bs)
	l := &layout{blocks: blocks{r: s.r, start: s.start, bs: bs, count: sb.Blocks}, sb: sb}
	l.groups.list = []groupDesc{{InodeTable: table, Known: true, Checked: true, NoBitmaps: true}}
	g := &geometry{records: newRecords(l, extract.Options{})}
	g.setInodes((end - c.table) / c.size)
	g.each(func(rec *record) {
		if int64(rec.Number) > (end-c.table)/c.size || rec.state == recordUnread || rec.free() || !rec.isFile() && !rec.isFolder() {
			return
		}
		if block, ok := firstBlock(rec.Flags, rec.Block[:]); ok && block > table && block < sb.Blocks {
			end = min(end, int64(block)*bs)
		}
	})
	g.setInodes((end - c.table) / c.size)
	return g
}

// setInodes sets how many inodes there are.
func (g *geometry) setInodes(n int64) {
	g.sb.Inodes = uint32(n) &^ 7
	g.sb.InodesPerGroup = g.sb.Inodes
}

// each calls yield for all inodes.
func (g *geometry) each(yield func(rec *record)) {
	for _, c := range g.chunks(true) {
		g.readChunk(c, func(_ uint32, rec *record) { yield(rec) })
	}
}

// weigh counts the entries of folders that agree with the inodes they name. It
// reports false where too few do, or more than one in twenty does not.
func (g *geometry) weigh(s *signs) bool {
	against, checked := 0, 0
	buf := make([]byte, g.bs)
	for _, f := range s.folders {
		if checked >= maxEntries {
			break
		}
		own := g.readInode(f.self)
		if block, ok := folderInode(own.raw); !ok || int64(block)*g.bs != f.at {
			continue // a remnant, or of another block size
		}
		b := g.read(buf, uint64(f.at/g.bs))
		if !b.Whole() {
			continue
		}
		walkDirents(&g.sb, b, true, func(d dirent) {
			checked++
			g.used = max(g.used, d.Inode)
			rec := g.readInode(d.Inode)
			switch {
			case rec.state == recordUnread:
			case !rec.free() && (d.Type == direntUnknown || d.Type == direntType(rec.kind())):
				g.spoke++
			default:
				against++
			}
		})
	}
	return g.spoke >= minSpoke && 20*against <= g.spoke
}

// complete tells the rest of a geometry that was chosen: the features that its
// inodes show, and the seed of their checksums.
func (g *geometry) complete() {
	sb := &g.sb
	seeds := map[uint32]int{}
	live := 0
	for number := uint32(1); number <= max(g.used, sb.FirstInode); number++ {
		rec := g.readInode(number)
		if rec.state == recordUnread || rec.free() || rec.kind() == 0 {
			continue
		}
		sb.show(rec.Flags)
		if seed, ok := rec.volumeSeed(); ok {
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
		g.each(func(rec *record) {
			if rec.state == recordLive && rec.Number > g.used {
				g.used = rec.Number
			}
		})
	}
	perBlock := uint32(sb.blockSize()) / uint32(sb.InodeSize)
	g.used = min((max(g.used, sb.FirstInode)+perBlock-1)/perBlock*perBlock, sb.Inodes)
	g.groups.list[0].UnusedInodes = sb.Inodes - g.used
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

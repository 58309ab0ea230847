package ext

import (
	"context"
	"encoding/binary"
	"fmt"

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
	sb    superblock // as far as it could be told
	table uint64     // first block of the inodes
	used  uint32     // inodes from the first that may be in use
	spoke int        // entries that agree with the inode they name
}

// group is the descriptor of the one group.
func (g *geometry) group() groupDesc {
	return groupDesc{InodeTable: g.table, UnusedInodes: g.sb.Inodes - g.used, Known: true, Checked: true, NoBitmaps: true}
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

// folderSign is a block that begins as a folder does.
type folderSign struct {
	at       int64  // bytes of the volume
	self     uint32 // the number in its "." entry
	parent   uint32 // and in its ".." entry
	filetype bool   // entries tell the type of what they name
}

// inodeSign is a record that may be the inode of a folder.
type inodeSign struct {
	at    int64  // bytes of the volume
	block uint64 // where it says that the folder begins
}

// signs are what a volume was searched for.
type signs struct {
	folders []folderSign
	place   map[int64]int // in folders, by at
	inodes  []inodeSign
}

// byRemains is what [OpenRemains] goes by: what the volume's folders and inodes
// tell, if its superblock was not read. What was read and is none is no such
// volume.
func byRemains(ctx context.Context, r *image.Reader, start, limit int64) (found, *geometry, error) {
	why := "its superblock was read"
	if _, _, unread := readSuper(r, start, superblockAt); unread {
		g, ok, err := findGeometry(ctx, r, start, limit)
		if err != nil {
			return found{}, nil, err
		}
		if ok {
			note := fmt.Sprintf("the superblock was not read and no copy of it was found: where the inodes lie was found from folders and inodes that speak for each other, %d entries in all", g.spoke)
			return found{superblock: g.sb, at: -1, note: note}, g, nil
		}
		why = "neither its superblock nor a copy was read, and too few folders and inodes speak for each other"
	}
	return found{}, nil, notVolume(start, "%s", why)
}

// findGeometry looks for the geometry of a volume at start whose superblock
// was not read. ok is false where nothing bears one out.
func findGeometry(ctx context.Context, r *image.Reader, start, limit int64) (g *geometry, ok bool, err error) {
	s, err := findSigns(ctx, r, start, min(limit, geometryLimit))
	if err != nil || len(s.folders) < minFolders {
		return nil, false, err
	}
	w := &weigher{r: r, start: start, limit: limit, signs: s}
	var best *geometry
	second := 0
	for _, c := range w.candidates() {
		if err := ctx.Err(); err != nil {
			return nil, false, err
		}
		x, ok := w.weigh(c)
		switch {
		case !ok:
		case best == nil || x.spoke > best.spoke:
			if best != nil {
				second = best.spoke
			}
			best = x
		default:
			second = max(second, x.spoke)
		}
	}
	if best == nil || 2*second > best.spoke {
		return nil, false, nil // nothing, or nothing decides
	}
	w.complete(best)
	return best, true, nil
}

// findSigns searches the first limit bytes of a volume.
func findSigns(ctx context.Context, r *image.Reader, start, limit int64) (*signs, error) {
	s := &signs{place: map[int64]int{}}
	const step = 1 << 20
	buf := make([]byte, step)
	for at := int64(0); at < limit; at += step {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		b := readBytes(r, buf[:min(step, limit-at)], start+at) // zeros where unread, which are no sign
		for i := 0; i+inodeAlignment <= b.Len(); i += inodeAlignment {
			if block, ok := folderInode(b.Data[i : i+inodeAlignment]); ok && len(s.inodes) < maxSigns && b.Has(i, inodeAlignment) {
				s.inodes = append(s.inodes, inodeSign{at + int64(i), block})
			}
			if i%1024 != 0 {
				continue
			}
			if f, ok := folderBlock(b.Data[i:]); ok && len(s.folders) < maxSigns && b.Has(i, firstEntries) {
				f.at = at + int64(i)
				s.place[f.at] = len(s.folders)
				s.folders = append(s.folders, f)
			}
		}
	}
	return s, nil
}

// firstEntries are the bytes of the entries "." and "..".
const firstEntries = 24

// folderBlock tells whether b begins as the first block of a folder: with "."
// and "..". ext4: directory, "struct ext4_dir_entry_2".
func folderBlock(b []byte) (f folderSign, ok bool) {
	le := binary.LittleEndian
	if len(b) < firstEntries || le.Uint16(b[4:]) != 12 || b[6] != 1 || b[8] != '.' || b[18] != 2 || b[20] != '.' || b[21] != '.' ||
		le.Uint16(b[16:])%4 != 0 || le.Uint16(b[16:]) < 12 {
		return f, false
	}
	kind, above := b[7]&direntTypes, b[19]&direntTypes
	f = folderSign{self: le.Uint32(b), parent: le.Uint32(b[12:]), filetype: kind == direntFolder}
	return f, f.self != 0 && f.parent != 0 && kind == above && (kind == direntFolder || kind == direntUnknown)
}

// folderInode tells whether b begins as the inode of a folder, and in which
// block that begins.
func folderInode(b []byte) (block uint64, ok bool) {
	le := binary.LittleEndian
	mode, links, size, deleted := le.Uint16(b), le.Uint16(b[0x1A:]), le.Uint32(b[0x4:]), le.Uint32(b[0x14:])
	if mode&modeType != modeFolder || links == 0 || deleted != 0 || size == 0 || size%1024 != 0 {
		return 0, false
	}
	return firstBlock(le.Uint32(b[0x20:]), b[iBlockAt:iBlockAt+iBlockSize])
}

// firstBlock is where the first block of an inode's content lies, as far as
// the inode itself says.
func firstBlock(flags uint32, b []byte) (block uint64, ok bool) {
	if flags&inodeInlineData != 0 {
		return 0, false
	}
	if flags&inodeExtents == 0 {
		block = uint64(binary.LittleEndian.Uint32(b))
		return block, block != 0
	}
	h, err := parseExtentHeader(b, iBlockSize)
	if err != nil || h.Depth != 0 || h.Entries == 0 {
		return 0, false
	}
	e := parseExtent(b[extentEntrySize:])
	return e.Physical, e.Logical == 0 && !e.Unwritten && e.Physical != 0
}

// candidate is a geometry that folders and their inodes may speak for.
type candidate struct {
	log   uint32 // block size, as in a superblock
	size  int64  // of an inode
	table int64  // where the inodes begin, bytes of the volume
}

// weigher holds candidates against what stands on the volume.
type weigher struct {
	*signs
	r            *image.Reader
	start, limit int64
}

// candidates are those that most folders speak for, in a set order. A journal
// holds older versions of inodes, a few blocks of them in a row: fewer speak for
// these.
func (w *weigher) candidates() []candidate {
	var votes []voice
	for _, n := range w.inodes {
		for log := range uint32(7) {
			if n.block > uint64(w.limit)>>(10+log) {
				continue
			}
			k, ok := w.place[int64(n.block)<<(10+log)]
			if !ok {
				continue
			}
			self := w.folders[k].self
			for size := int64(goodOldInodeSize); size <= maxInodeSize; size *= 2 {
				c := candidate{log, size, n.at - int64(self-1)*size}
				if c.table <= 0 || c.table%(1024<<log) != 0 {
					continue
				}
				votes = append(votes, voice{c, self})
			}
		}
	}
	return mostVoted(votes)
}

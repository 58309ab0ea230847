package ext

import (
	"context"
	"encoding/binary"

	"fileassay/extract/image"
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
	r            *image.Reader
	start, limit int64
	folders      []folderSign
	self         map[int64]uint32 // of folders, by at
	inodes       []inodeSign
}

// findSigns searches the start of a volume, which is of limit bytes at most.
func findSigns(ctx context.Context, r *image.Reader, start, limit int64) (*signs, error) {
	s := &signs{r: r, start: start, limit: limit, self: map[int64]uint32{}}
	limit = min(limit, geometryLimit)
	const step = 1 << 20
	buf := make([]byte, step)
	for at := int64(0); at < limit; at += step {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		b := r.Partial(buf[:min(step, limit-at)], start+at) // zeros where unread, which are no sign
		for i := 0; i+inodeAlignment <= b.Len(); i += inodeAlignment {
			if block, ok := folderInode(b.Data[i : i+inodeAlignment]); ok && len(s.inodes) < maxSigns && b.Has(i, inodeAlignment) {
				s.inodes = append(s.inodes, inodeSign{at + int64(i), block})
			}
			if i%1024 != 0 {
				continue
			}
			if f, ok := folderBlock(b.Data[i:]); ok && len(s.folders) < maxSigns && b.Has(i, firstEntries) {
				f.at = at + int64(i)
				s.self[f.at] = f.self
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
	if len(b) < goodOldInodeSize {
		return 0, false // it was not read
	}
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
	table int64  // where inode 1 would stand if all inodes stood in one row, bytes of the volume
}

// support is what speaks for a candidate.
type support struct {
	folders int
	at      int64 // of the first inode that does, bytes of the volume
}

// candidates are those that folders speak for.
func (s *signs) candidates() map[candidate]support {
	type voice struct {
		candidate
		self uint32
	}
	heard := map[voice]bool{} // a folder has one voice
	votes := map[candidate]support{}
	for _, n := range s.inodes {
		for log := range uint32(7) {
			self, ok := s.self[int64(n.block)<<(10+log)]
			if !ok || n.block > uint64(s.limit)>>(10+log) {
				continue
			}
			for size := int64(goodOldInodeSize); size <= maxInodeSize; size *= 2 {
				c := candidate{log, size, n.at - int64(self-1)*size}
				v := voice{c, self}
				if c.table%(1024<<log) != 0 || heard[v] {
					continue
				}
				heard[v] = true
				was, ok := votes[c]
				if !ok {
					was.at = n.at
				}
				votes[c] = support{was.folders + 1, was.at}
			}
		}
	}
	return votes
}

package ext

import (
	"encoding/binary"
	"math/bits"

	"fileassay/extract"
	"fileassay/extract/image"
)

// What [Trace] finds.
const (
	descriptors = "first group descriptor"
	rootFolder  = "root folder"
)

// rootReach is how far from the inode of a root folder its first block is looked
// for, and from the start of the volume: the inode tables of the first groups, which
// may stand together, lie between them.
const rootReach = 64 << 20

// Trace names what stands at the start of window where that speaks for an ext
// volume without telling where that begins; "" for anything else: the descriptor
// of a volume's first group, or the first block of a root folder. Bitmaps and
// inode table lie behind the descriptor and near each other, as every formatting
// program puts them (common practice, no source), and no count is more than a group
// has. ext4: group_descr, directory. back is how many bytes before it the volume
// may begin. window is all read.
func Trace(window []byte) (what string, back int64) {
	if f, ok := folderBlock(window); ok && f.self == rootInode && f.parent == rootInode {
		return rootFolder, rootReach
	}
	if len(window) < 32 {
		return "", 0
	}
	le := binary.LittleEndian
	block, inode, table := le.Uint32(window), le.Uint32(window[4:]), le.Uint32(window[8:])
	const group, near = 8 * 4096, 64 // blocks of a group of the usual sizes; from one structure to the next
	if block < 2 || block > group || inode <= block || inode > block+near || table <= inode || table > inode+near {
		return "", 0
	}
	for _, at := range []int{0xC, 0xE, 0x10, 0x1C} { // free blocks, free inodes, folders, unused inodes
		if le.Uint16(window[at:]) > group {
			return "", 0
		}
	}
	if free, unused, folders := le.Uint16(window[0xE:]), le.Uint16(window[0x1C:]), le.Uint16(window[0x10:]); folders == 0 || unused > free || le.Uint16(window[0x12:]) > 7 {
		return "", 0
	}
	return descriptors, 2 * 4096
}

// Bears asks other structures of the volume about what [Trace] found at an offset of
// the image: descriptors must lead to the inode of a root folder, and that to a
// block which begins as this folder does; such an inode must lead to a root folder's
// block. ext4: inodes ("Special inodes": 2 is the root's).
func Bears(r *image.Reader, what string, at int64) extract.Bearing {
	if what == rootFolder {
		return rootBears(r, at)
	}
	le := binary.LittleEndian
	desc, read := readable(r, at, 32)
	if !read {
		return extract.Bearing{}
	}
	bitmap, table := int64(le.Uint32(desc)), int64(le.Uint32(desc[8:]))
	for bs := int64(1024); bs <= 64<<10; bs *= 2 {
		start := at - max(bs, 2048)
		if start < 0 {
			break
		}
		for size := int64(goodOldInodeSize); size <= maxInodeSize; size *= 2 {
			inode := start + table*bs + (rootInode-1)*size
			b, read := readable(r, inode, goodOldInodeSize)
			if !read {
				continue
			}
			block, ok := folderInode(b)
			if !ok || block > uint64(r.Size())/uint64(bs) {
				continue
			}
			root := start + int64(block)*bs
			b, read = readable(r, root, firstEntries)
			if f, ok := folderBlock(b); !read || !ok || f.self != rootInode || f.parent != rootInode {
				continue
			}
			out := extract.Bearing{Borne: true, Start: start, Places: []int64{inode, root}}
			if b, read = readable(r, start+bitmap*bs, bs); read {
				out.Places = append(out.Places, start+bitmap*bs, start+lastFree(b)*bs)
			}
			return out
		}
	}
	return extract.Bearing{}
}

// rootBears looks for the inode of the root folder whose first block stands at an
// offset of the image. It is the second of a table that begins with a block; the
// first, and the fifth and sixth, are in no use ("Special inodes").
func rootBears(r *image.Reader, at int64) extract.Bearing {
	const window = 1 << 20
	buf := make([]byte, window)
	unread := false
	end := min(at+rootReach, r.Size())
	for begin := max(0, at-rootReach); begin < end; begin += window {
		p := r.Partial(buf[:min(window, end-begin)], begin)
		unread = unread || !p.Whole()
		for i := 0; i+inodeAlignment <= p.Len(); i += inodeAlignment {
			block, ok := folderInode(p.Data[i : i+inodeAlignment])
			if !ok || !p.Has(i, inodeAlignment) {
				continue
			}
			inode := begin + int64(i)
			length := int64(binary.LittleEndian.Uint32(p.Data[i+4:]))
			for bs := int64(64 << 10); bs >= 1024; bs /= 2 { // a small folder has one block
				start := at - int64(block)*bs
				if length%bs != 0 || block > uint64(at)/uint64(bs) || start+2*bs > inode {
					continue
				}
				for size := int64(goodOldInodeSize); size <= min(maxInodeSize, bs); size *= 2 {
					if (inode-size-start)%bs == 0 && firstInodes(r, inode-size, size) {
						return extract.Bearing{Borne: true, Start: start, Places: []int64{inode}}
					}
				}
			}
		}
	}
	return extract.Bearing{Refuted: !unread}
}

// firstInodes reports whether a table of inodes of size bytes may begin at an offset
// of the image, by those that no volume uses.
func firstInodes(r *image.Reader, at, size int64) bool {
	for _, number := range []int64{1, 5, 6} {
		if b, read := readable(r, at+(number-1)*size, 2); !read || binary.LittleEndian.Uint16(b) != 0 {
			return false
		}
	}
	return true
}

// readable reads n bytes at an offset of the image; ok is false where one of them
// was not read.
func readable(r *image.Reader, at, n int64) (b []byte, ok bool) {
	p := r.Partial(make([]byte, n), at)
	return p.Data, p.Whole()
}

// lastFree is the last block that a block bitmap calls free: those past the end of
// the volume are called used. ext4: bitmaps.
func lastFree(bitmap []byte) int64 {
	for i := len(bitmap) - 1; i >= 0; i-- {
		if b := ^bitmap[i]; b != 0 {
			return int64(i)*8 + int64(bits.Len8(b)) - 1
		}
	}
	return 0
}

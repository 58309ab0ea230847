package ext

import (
	"encoding/binary"
	"fmt"

	"fileassay/extract/image"
)

// Traces names what stands near the start of a range that only an ext volume has
// there whose blocks are of another size than known, "" for nothing: the first
// group descriptor, in the block behind the superblock's. ext4: group_descr;
// blockgroup, "Layout".
func Traces(r *image.Reader, start, length, known int64) string {
	for _, bs := range [...]int64{1024, 4096} { // larger ones would be found in bitmaps and inodes of others
		if bs == known || bs <= 2048 && known > 0 && known <= 2048 {
			continue // blocks of 1 and 2 KiB have it in one place
		}
		at := max(bs, 2048)
		b := r.Partial(make([]byte, 32), start+at)
		if b.Whole() && likeDescriptor(b.Data, length/bs, bs) {
			return fmt.Sprintf("group descriptors at offset %d", r.Base()+start+at)
		}
	}
	return ""
}

// likeDescriptor reports whether b reads like the descriptor of the first group
// of a volume of up to so many blocks: its bitmaps and inode table lie near each
// other behind it, and the free blocks and inodes are not more than a group has.
func likeDescriptor(b []byte, blocks, bs int64) bool {
	le := binary.LittleEndian
	block, inode, table := int64(le.Uint32(b)), int64(le.Uint32(b[4:])), int64(le.Uint32(b[8:]))
	group := 8 * bs
	for _, at := range []int64{block, inode, table} {
		if at < 2 || at >= blocks || at > group {
			return false
		}
	}
	return block != inode && inode != table && block != table &&
		int64(le.Uint16(b[0xC:])) <= group && int64(le.Uint16(b[0xE:])) <= group && int64(le.Uint16(b[0x10:])) <= group
}

package ext

import "encoding/binary"

// Trace names what stands at the start of window where that reads like the
// descriptor of a volume's first group, which speaks for an ext volume without
// telling where that begins; "" for anything else. Its bitmaps and inode table lie
// behind it and near each other, as every formatting program puts them (common
// practice, no source), and no count is more than a group has. ext4: group_descr.
// back is how many bytes before it the volume may begin. window is all read.
func Trace(window []byte) (what string, back int64) {
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
	return "group descriptors", 2 * 4096
}

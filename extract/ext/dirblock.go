package ext

import (
	"bytes"
	"encoding/binary"
	"fmt"
)

// File types in folder entries. ext4: directory, "file_type".
const (
	direntUnknown = 0
	direntFile    = 1
	direntFolder  = 2
	direntLink    = 7
)

const (
	direntHead     = 8
	direntTailSize = 12   // struct ext4_dir_entry_tail
	direntTailType = 0xDE // its reserved file type
)

// dirent is an entry of a folder. ext4: directory, "struct ext4_dir_entry_2".
type dirent struct {
	Inode uint32
	Type  uint8
	Name  []byte // stands in the buffer that was parsed
	At    int    // where the entry starts
	Next  int    // where the next one starts
}

// recLen decodes rec_len, whose low bits carry the high ones where a block of
// 64 KiB needs more than 16.
func recLen(v uint16, blockSize int64) int {
	if blockSize < 65536 {
		return int(v)
	}
	if v == 65535 || v == 0 {
		return int(blockSize)
	}
	return int(v&65532) | int(v&3)<<16
}

// parseDirent decodes the entry at at of a block or inline region b.
func parseDirent(sb *superblock, b []byte, at int) (dirent, error) {
	if at < 0 || at+direntHead > len(b) {
		return dirent{}, fmt.Errorf("entry at %d is cut short", at)
	}
	le := binary.LittleEndian
	d := dirent{Inode: le.Uint32(b[at:]), At: at}
	rec := recLen(le.Uint16(b[at+4:]), sb.blockSize())
	nameLen := int(b[at+6])
	if sb.Incompat&incompatFiletype != 0 {
		d.Type = b[at+7]
		if d.Type != direntTailType {
			d.Type &= 0x0F // the rest are marks of data behind the name
		}
	} else if d.Inode != 0 || b[at+7] != direntTailType { // of the tail it is no length, here too
		nameLen |= int(b[at+7]) << 8
	}
	if rec < direntHead || rec%4 != 0 || rec > len(b)-at || nameLen > rec-direntHead || nameLen > 255 {
		return d, fmt.Errorf("entry at %d has no sensible length", at)
	}
	if d.Inode != 0 && nameLen == 0 {
		return d, fmt.Errorf("entry at %d has no name", at)
	}
	if d.Inode > sb.Inodes {
		return d, fmt.Errorf("entry at %d names inode %d, of which there is none", at, d.Inode)
	}
	d.Name = b[at+direntHead : at+direntHead+nameLen]
	d.Next = at + rec
	return d, nil
}

// walkDirents calls yield for the entries in use of b as far as the chain of
// entries can be followed through what was read. whole tells that all of it
// could; fault says what stopped it, "" where that was an unread part. A name
// that was read in part counts as unread.
func walkDirents(sb *superblock, b []byte, unread gaps, encrypted bool, yield func(dirent)) (whole bool, fault string) {
	whole = true
	for at := 0; at+direntHead <= len(b); {
		if unread != nil && unread.touches(int64(at), direntHead) {
			return false, ""
		}
		d, err := parseDirent(sb, b, at)
		if err != nil {
			return false, err.Error()
		}
		at = d.Next
		if d.Inode == 0 {
			continue
		}
		if unread != nil && unread.touches(int64(d.At+direntHead), int64(len(d.Name))) {
			whole = false
			continue
		}
		if !encrypted && !sb.metadataCsum() && bytes.ContainsAny(d.Name, "/\x00") {
			return false, fmt.Sprintf("entry at %d has a name that cannot be one", d.At)
		}
		yield(d)
	}
	return whole, ""
}

// blockKind says what a folder's block holds, by its checksum.
type blockKind uint8

const (
	blockEntries blockKind = iota // entries
	blockIndex                    // a root or node of the hash index
	blockBad                      // fails its checksum or has none
)

// checkDirBlock tells what a wholly read block of a folder is and holds it
// against its checksum, on volumes that keep these. ext4: directory, "struct
// ext4_dir_entry_tail", "struct dx_tail".
func checkDirBlock(sb *superblock, seed uint32, b []byte) blockKind {
	le := binary.LittleEndian
	t := len(b) - direntTailSize
	// an index block made of a block of entries may still show that one's tail
	if le.Uint32(b[t:]) == 0 && recLen(le.Uint16(b[t+4:]), sb.blockSize()) == direntTailSize && b[t+6] == 0 && b[t+7] == direntTailType &&
		crc32c(seed, b[:t]) == le.Uint32(b[t+8:]) {
		return blockEntries
	}
	if indexBlockOK(sb, seed, b) {
		return blockIndex
	}
	return blockBad
}

// indexBlockOK holds a block of the hash index against its checksum.
func indexBlockOK(sb *superblock, seed uint32, b []byte) bool {
	le := binary.LittleEndian
	head := 8 // of a node: one empty entry, then limit and count
	if le.Uint32(b) != 0 || recLen(le.Uint16(b[4:]), sb.blockSize()) != len(b) {
		// of a root: ".", "..", and dx_root_info of 8 bytes
		head = 32
		if recLen(le.Uint16(b[4:]), sb.blockSize()) != 12 || recLen(le.Uint16(b[16:]), sb.blockSize()) != len(b)-12 || b[29] != 8 {
			return false
		}
	}
	limit, count := int(le.Uint16(b[head:])), int(le.Uint16(b[head+2:]))
	tail := head + 8*limit
	if count > limit || tail+8 > len(b) {
		return false
	}
	c := crc32c(seed, b[:head+8*count])
	c = crc32c(c, b[tail:tail+4]) // dt_reserved
	c = crc32c(c, []byte{0, 0, 0, 0})
	return c == le.Uint32(b[tail+4:])
}

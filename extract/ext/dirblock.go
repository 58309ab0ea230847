package ext

import (
	"bytes"
	"encoding/binary"
	"fmt"

	"fileassay/extract/partial"
)

// File types in folder entries. ext4: directory, "file_type".
const (
	direntUnknown = 0
	direntFile    = 1
	direntFolder  = 2
	direntLink    = 7
	direntTypes   = 0x0F // the rest are marks of data behind the name
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

// direntType is the file type that entries have for a kind of inode.
func direntType(kind uint16) uint8 {
	return [16]uint8{modeFIFO >> 12: 5, modeChar >> 12: 3, modeFolder >> 12: direntFolder, modeBlock >> 12: 4,
		modeFile >> 12: direntFile, modeLink >> 12: direntLink, modeSocket >> 12: 6}[kind>>12]
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

// parseDirent decodes the entry at at of a block or inline region b, whose head
// is there.
func parseDirent(sb *superblock, b []byte, at int) (dirent, error) {
	le := binary.LittleEndian
	d := dirent{Inode: le.Uint32(b[at:]), At: at}
	rec := recLen(le.Uint16(b[at+4:]), sb.blockSize())
	nameLen := int(b[at+6])
	if sb.Incompat&incompatFiletype != 0 {
		d.Type = b[at+7]
		if d.Type != direntTailType {
			d.Type &= direntTypes
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
func walkDirents(sb *superblock, b partial.Bytes, encrypted bool, yield func(dirent)) (whole bool, fault string) {
	whole = true
	for at := 0; at+direntHead <= b.Len(); {
		if !b.Has(at, direntHead) {
			return false, ""
		}
		d, err := parseDirent(sb, b.Data, at)
		if err != nil {
			return false, err.Error()
		}
		at = d.Next
		if d.Inode == 0 {
			continue
		}
		if !b.Has(d.At+direntHead, len(d.Name)) {
			whole = false
			continue
		}
		if !encrypted && bytes.ContainsAny(d.Name, "/\x00") {
			fault = fmt.Sprintf("entry at %d has a name that cannot be one", d.At)
			if !sb.metadataCsum() { // nor is what follows, perhaps
				return false, fault
			}
		}
		yield(d)
	}
	return whole, fault
}

// blockKind says what a folder's block holds, by its checksum.
type blockKind uint8

const (
	blockEntries blockKind = iota // entries
	blockIndex                    // a root or node of the hash index
	blockBad                      // fails its checksum or has none
)

// checkDirBlock tells what a wholly read block of a folder is and holds it
// against its checksum, on volumes that keep these.
func checkDirBlock(sb *superblock, seed uint32, b []byte) blockKind {
	// an index block made of a block of entries may still show that one's tail
	if sum, ok := entriesChecksum(sb, b); ok && crc32c(seed, b[:len(b)-direntTailSize]) == sum {
		return blockEntries
	}
	if head, ok := indexHead(sb, b); ok {
		if covered, sum, ok := indexChecksum(b, head); ok && crc32c(seed, covered[:]...) == sum {
			return blockIndex
		}
	}
	return blockBad
}

// entriesChecksum is the checksum in the tail of a block of entries; ok is false
// where it has none. ext4: directory, "struct ext4_dir_entry_tail".
func entriesChecksum(sb *superblock, b []byte) (sum uint32, ok bool) {
	le := binary.LittleEndian
	t := b[len(b)-direntTailSize:]
	ok = le.Uint32(t) == 0 && recLen(le.Uint16(t[4:]), sb.blockSize()) == direntTailSize && t[6] == 0 && t[7] == direntTailType
	return le.Uint32(t[8:]), ok
}

// indexRootHead is what stands before the entries in the root of an index: ".",
// "..", and dx_root_info of 8 bytes.
const indexRootHead = 32

// indexHead is where limit and count stand in a block of the hash index.
func indexHead(sb *superblock, b []byte) (head int, ok bool) {
	le := binary.LittleEndian
	first := recLen(le.Uint16(b[4:]), sb.blockSize())
	if le.Uint32(b) == 0 && first == len(b) {
		return 8, true // of a node: one empty entry
	}
	return indexRootHead, first == 12 && recLen(le.Uint16(b[16:]), sb.blockSize()) == len(b)-12 && b[29] == 8
}

// indexChecksum is the checksum of a block of the hash index and what it
// covers; ok is false where there is no place for it. ext4: directory,
// "struct dx_tail".
func indexChecksum(b []byte, head int) (covered [3][]byte, sum uint32, ok bool) {
	le := binary.LittleEndian
	limit, count := int(le.Uint16(b[head:])), int(le.Uint16(b[head+2:]))
	tail := head + 8*limit
	if count > limit || tail+8 > len(b) {
		return covered, 0, false
	}
	return [3][]byte{b[:head+8*count], b[tail : tail+4], zeros}, le.Uint32(b[tail+4:]), true
}

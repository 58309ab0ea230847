package ext

import "encoding/binary"

// part is a piece of an inode's record that holds content: [At, At+Length) of
// the record is content from Offset.
type part struct{ Offset, At, Length int64 }

// Extended attributes in the inode. ext4: attributes, "struct
// ext4_xattr_ibody_header" and "struct ext4_xattr_entry".
const (
	xattrMagic       = 0xEA020000
	xattrEntrySize   = 16
	xattrIndexSystem = 7
	xattrInlineName  = "data"
)

// inlineParts are the places of an inode's record that hold its content: the
// 60 bytes of i_block and the value of the attribute "system.data". ext4:
// ifork, "Inline Data". What they leave out of Size was not found.
func (n *inode) inlineParts() []part {
	var out []part
	k := min(n.Size, iBlockSize)
	if k > 0 {
		out = append(out, part{0, iBlockAt, k})
	}
	if n.Size <= iBlockSize {
		return out
	}
	if at, length, ok := n.inlineValue(); ok {
		if length = min(length, n.Size-iBlockSize); length > 0 {
			out = append(out, part{iBlockSize, at, length})
		}
	}
	return out
}

// inlineValue finds the value of "system.data" in the record.
func (n *inode) inlineValue() (at, length int64, ok bool) {
	le := binary.LittleEndian
	head := goodOldInodeSize + int(n.ExtraSize)
	if n.ExtraSize == 0 || head+4 > len(n.raw) || le.Uint32(n.raw[head:]) != xattrMagic {
		return 0, 0, false
	}
	first := head + 4
	for e := first; e+xattrEntrySize <= len(n.raw); {
		if le.Uint32(n.raw[e:]) == 0 {
			break // the list ends in four zero bytes
		}
		nameLen := int(n.raw[e])
		if e+xattrEntrySize+nameLen > len(n.raw) {
			break
		}
		name := string(n.raw[e+xattrEntrySize : e+xattrEntrySize+nameLen])
		if n.raw[e+1] == xattrIndexSystem && name == xattrInlineName {
			off, size := int(le.Uint16(n.raw[e+2:])), int64(le.Uint32(n.raw[e+8:]))
			if le.Uint32(n.raw[e+4:]) != 0 || int64(first+off)+size > int64(len(n.raw)) {
				return 0, 0, false
			}
			return int64(first + off), size, true
		}
		e += (xattrEntrySize + nameLen + 3) &^ 3
	}
	return 0, 0, false
}

// hasEAInode reports whether an attribute in the record keeps its value in an
// inode of its own, whose blocks count as this inode's too.
func (n *inode) hasEAInode() bool {
	le := binary.LittleEndian
	head := goodOldInodeSize + int(n.ExtraSize)
	if n.ExtraSize == 0 || head+4 > len(n.raw) || le.Uint32(n.raw[head:]) != xattrMagic {
		return false
	}
	for e := head + 4; e+xattrEntrySize <= len(n.raw) && le.Uint32(n.raw[e:]) != 0; {
		if le.Uint32(n.raw[e+4:]) != 0 {
			return true
		}
		e += (xattrEntrySize + int(n.raw[e]) + 3) &^ 3
	}
	return false
}

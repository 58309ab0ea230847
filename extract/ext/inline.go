package ext

import (
	"encoding/binary"
	"iter"
)

// part is a piece of an inode's record that holds content: [At, At+Length) of
// the record is content from Offset.
type part struct{ Offset, At, Length int64 }

// Extended attributes in the inode. ext4: attributes, "struct
// ext4_xattr_ibody_header" and "struct ext4_xattr_entry".
const (
	xattrMagic       = 0xEA020000
	xattrEntrySize   = 16
	xattrBlockHead   = 32 // "struct ext4_xattr_header"
	xattrIndexSystem = 7
	xattrInlineName  = "data"
)

// inlineParts are the places of an inode's record that hold its content: the
// 60 bytes of i_block and the value of the attribute "system.data". ext4:
// ifork, "Inline Data". What they leave out of Size was not found.
func (n *inode) inlineParts() []part {
	var out []part
	if n.Size > 0 {
		out = append(out, part{0, iBlockAt, min(n.Size, iBlockSize)})
	}
	at, length, ok := n.inlineValue()
	if length = min(length, n.Size-iBlockSize); ok && length > 0 {
		out = append(out, part{iBlockSize, at, length})
	}
	return out
}

// inlineValue finds the value of "system.data" in the record.
func (n *inode) inlineValue() (at, length int64, ok bool) {
	le := binary.LittleEndian
	first := n.firstAttribute()
	for e, name := range n.attributes() {
		if n.raw[e+1] == xattrIndexSystem && name == xattrInlineName {
			at, length = int64(first)+int64(le.Uint16(n.raw[e+2:])), int64(le.Uint32(n.raw[e+8:]))
			return at, length, le.Uint32(n.raw[e+4:]) == 0 && at+length <= int64(len(n.raw))
		}
	}
	return 0, 0, false
}

// firstAttribute is where the attributes in the record begin.
func (n *inode) firstAttribute() int { return goodOldInodeSize + int(n.ExtraSize) + 4 }

// attributes are the attributes in the record: where the entry of each stands,
// and its name.
func (n *inode) attributes() iter.Seq2[int, string] {
	e := n.firstAttribute()
	if n.ExtraSize == 0 || e > len(n.raw) || binary.LittleEndian.Uint32(n.raw[e-4:]) != xattrMagic {
		return func(func(int, string) bool) {}
	}
	return attributes(n.raw, e)
}

// attributes are the attributes of a list that begins at e of b.
func attributes(b []byte, e int) iter.Seq2[int, string] {
	return func(yield func(e int, name string) bool) {
		// the list ends in four zero bytes
		for e := e; e+xattrEntrySize <= len(b) && binary.LittleEndian.Uint32(b[e:]) != 0; {
			end := e + xattrEntrySize + int(b[e])
			if end > len(b) || !yield(e, string(b[e+xattrEntrySize:end])) {
				return
			}
			e = (end + 3) &^ 3
		}
	}
}

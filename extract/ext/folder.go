package ext

import (
	"encoding/binary"
	"fmt"

	"fileassay/extract/partial"
)

// readFolderBlock takes the entries of one block of a folder.
func (v *records) readFolderBlock(f *folderPlan, names *nameList, b partial.Bytes, logical, block uint64) {
	if v.sb.metadataCsum() && b.Whole() {
		switch checkDirBlock(&v.sb, f.seed, b.Data) {
		case blockBad:
			f.lose(1, fmt.Sprintf("block %d of the folder fails its checksum", block))
			return
		case blockIndex:
			if logical > 0 {
				return
			}
		}
	}
	whole, fault := walkDirents(&v.sb, b, f.flags&inodeEncrypt != 0, func(d dirent) {
		v.takeDirent(f, names, d)
	})
	switch {
	case fault != "":
		f.lose(1, fmt.Sprintf("block %d of the folder: %s", block, fault))
	case !whole:
		f.lose(1, fmt.Sprintf("block %d of the folder is unread in part or whole", block))
	}
}

// takeDirent takes an entry in use.
func (v *records) takeDirent(f *folderPlan, names *nameList, d dirent) {
	switch string(d.Name) {
	case ".":
		return
	case "..":
		f.parent = d.Inode
		return
	}
	if d.Inode == rootInode || v.ownInode(d.Inode) {
		return
	}
	names.add(f.number, d.Inode, d.Type, d.Name)
}

// readInlineFolder takes the entries of a folder that stands in its inode: the
// number of its parent, then entries to the end of i_block, then entries in
// the attribute. ext4: ifork, "Inline Directories".
func (v *records) readInlineFolder(n *inode, f *folderPlan) {
	parts := n.inlineParts()
	if len(parts) == 0 || parts[0].Length < 4 {
		f.lose(1, "its entries were not found in its inode")
		return
	}
	var have int64
	for i, x := range parts {
		have += x.Length
		b := n.raw[x.At : x.At+x.Length]
		if i == 0 {
			f.parent = binary.LittleEndian.Uint32(b)
			b = b[4:]
		}
		if _, fault := walkDirents(&v.sb, partial.Bytes{Data: b}, n.Flags&inodeEncrypt != 0, func(d dirent) {
			v.takeDirent(f, &f.names, d)
		}); fault != "" {
			f.lose(1, "the folder in the inode: "+fault)
		}
	}
	if have < n.Size {
		f.lose(1, "the part of the folder that stands in an attribute was not found")
	}
}

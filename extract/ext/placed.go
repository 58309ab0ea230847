package ext

import (
	"context"
	"encoding/binary"

	"fileassay/extract"
)

// placedInodes is how many inodes of a group are asked.
const placedInodes = 256

// Placed is for [extract.Placer]. A copy of the superblock names its group, an
// inode passes a checksum over its number, and a folder begins with an entry
// that names its inode.
func (v *Volume) Placed(ctx context.Context) (extract.Placed, error) {
	out := extract.Placed{Start: v.start}
	if v.sbAt < 0 {
		return out, nil // it was found by what stands where
	}
	buf := make([]byte, v.bs)
	for g := uint64(0); g < v.sb.groups() && !out.Done(); g++ {
		if err := ctx.Err(); err != nil {
			return out, err
		}
		if g > 0 && v.sb.hasSuper(g) {
			if sb, ok, _ := readSuper(v.r, v.start, v.sb.superOffset(g)); ok && sb.Fault == "" && sb.sameVolume(&v.sb) && uint64(sb.GroupNumber) == g {
				out.Hit(v.start + v.sb.superOffset(g) + superblockSize)
			}
		}
		d := &v.groups.list[g]
		if _, found := v.tables[g]; found || !d.Known {
			continue
		}
		for i := range min(placedInodes, v.sb.InodesPerGroup) {
			v.placedInode(uint32(g)*v.sb.InodesPerGroup+i+1, buf, &out)
		}
	}
	return out, nil
}

// placedInode asks one inode, and the folder that it is of. What a journal has a
// newer version of is left out.
func (v *Volume) placedInode(number uint32, buf []byte, out *extract.Placed) {
	block, off := v.recordPlace(number)
	if _, ok := v.copies[block]; ok || block >= v.count {
		return
	}
	raw := v.r.Partial(make([]byte, v.sb.InodeSize), v.span(block, 1).Start+off)
	rec := v.judge(number, raw)
	if rec.state != recordLive {
		return
	}
	end := v.span(block, 1).Start + off + int64(v.sb.InodeSize)
	if v.sb.metadataCsum() {
		out.Hit(end)
	}
	if !rec.isFolder() || rec.Flags&inodeInlineData != 0 {
		return
	}
	m := newMapper(v.layout).mapInode(&rec.inode)
	if len(m.Runs) == 0 || m.Runs[0].Logical != 0 || m.Runs[0].Kind == runUnlocated {
		return
	}
	first := m.Runs[0].Physical
	if _, ok := v.copies[first]; ok || first >= v.count {
		return
	}
	if _, err := v.r.ReadAt(buf, v.span(first, 1).Start); err != nil {
		return
	}
	if le := binary.LittleEndian; le.Uint16(buf[4:]) == 12 && buf[6] == 1 && buf[8] == '.' && buf[9] == 0 { // ext4: directory, "."
		if own := le.Uint32(buf); own == number {
			out.Hit(end)
			out.Hit(v.span(first, 1).End)
		} else {
			out.Wrong = true
		}
	}
}

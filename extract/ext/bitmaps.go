package ext

import (
	"fileassay/extract/bitmap"
	"fileassay/extract/partial"
)

// groupMap is a group's inode or block bitmap with what it proves. ext4:
// bitmaps.
type groupMap struct {
	*bitmap.Map // without bits where nothing is known
	// sure is set where it passed its checksum, or where the volume keeps none.
	sure bool
	// proves is set where moreover it may be held against what inodes claim:
	// where it has no checksum, it has as many free bits as the group counts.
	proves bool
	// fault is set where it was read and fails its checksum.
	fault bool
}

// mayBeUsed reports whether bit i does not prove that its inode is unused.
func (m *groupMap) mayBeUsed(i uint32) bool { return !m.sure || m.Get(int64(i)) != bitmap.Clear }

// groupMap reads a bitmap of n bits at a block and holds it against want, and
// where it has no checksum the first in of its bits, which stand for something,
// against the count of free ones. Where the group is marked as not initialised
// all bits are zero.
func (v *layout) groupMap(d *groupDesc, uninit uint16, block uint64, n, want, in, free uint32) groupMap {
	nothing := bitmap.Of(partial.Bytes{}, 0, bitmap.LowFirst)
	if !d.Known || d.Guessed {
		return groupMap{Map: nothing}
	}
	b := partial.Bytes{Data: make([]byte, v.bs)}
	if d.Checked && !d.Backup && d.Flags&uninit != 0 {
		return groupMap{Map: bitmap.Of(b, int64(n), bitmap.LowFirst), sure: true, proves: true}
	}
	b = v.read(b.Data, block).Slice(0, int(min((int64(n)+7)/8, v.bs)))
	m := groupMap{Map: bitmap.Of(b, int64(n), bitmap.LowFirst)}
	switch {
	case v.sb.metadataCsum():
		if !b.Whole() {
			break // what was read cannot be vouched for
		}
		got := crc32c(v.sb.ChecksumSeed, b.Data)
		if v.sb.DescSize < 64 {
			got &= 0xFFFF
		}
		switch {
		case got == want:
			m.sure, m.proves = true, true
		case !d.Backup: // a copy's checksum is of an older bitmap
			return groupMap{Map: nothing, fault: true}
		}
	case d.Backup && d.Checked:
		// the group may not be initialised, which only the primary would say
	default:
		m.sure = true
		m.proves = b.Whole() && m.Count(0, int64(in), bitmap.Clear) == int64(free)
	}
	return m
}

func (v *layout) inodeBitmap(g uint64) groupMap {
	d := &v.groups.list[g]
	return v.groupMap(d, groupInodeUninit, d.InodeBitmap, v.sb.InodesPerGroup, d.InodeCsum, v.sb.InodesPerGroup, d.FreeInodes)
}

func (v *layout) blockBitmap(g uint64) groupMap {
	d := &v.groups.list[g]
	size := v.sb.clusterBlocks()
	bits, in := uint64(v.sb.BlocksPerGroup)/size, (v.sb.groupBlocks(g)+size-1)/size
	return v.groupMap(d, groupBlockUninit, d.BlockBitmap, uint32(bits), d.BlockCsum, uint32(in), d.FreeBlocks)
}

// unused reports whether a bitmap calls inode i of its group free, and is to be
// believed over a live record: where it passed its checksum, or where the
// record has none that would prove it.
func (v *layout) unused(m *groupMap, i uint32) bool {
	return m.Get(int64(i)) == bitmap.Clear && (m.sure || !v.sb.metadataCsum())
}

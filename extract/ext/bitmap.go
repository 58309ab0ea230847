package ext

// bitmap is a group's inode or block bitmap as far as it was read. ext4:
// bitmaps.
type bitmap struct {
	bits   []byte
	unread gaps
	// none is set where nothing is known; clear where the group is marked as
	// not initialised, so that all bits are zero.
	none, clear bool
	// sure is set where it passed its checksum, or where the volume keeps none.
	sure bool
	// fault is set where it was read and fails its checksum.
	fault bool
}

// get tells bit i; known is false where it was not read.
func (b *bitmap) get(i uint32) (set, known bool) {
	switch {
	case b.none:
		return false, false
	case b.clear:
		return false, true
	case int(i/8) >= len(b.bits) || b.unread != nil && b.unread.touches(int64(i/8), 1):
		return false, false
	}
	return b.bits[i/8]>>(i%8)&1 != 0, true
}

// bitState is what is known of a bit.
type bitState uint8

const (
	bitUnknown bitState = iota
	bitClear
	bitSet
)

// stretch tells bit i and a number of bits from it on, at least one, that are
// like it.
func (b *bitmap) stretch(i uint32) (state bitState, n uint32) {
	switch {
	case b.none:
		return bitUnknown, 1 << 20
	case b.clear:
		return bitClear, 1 << 20
	}
	set, known := b.get(i)
	switch {
	case !known:
		return bitUnknown, 1
	case set:
		state = bitSet
	default:
		state = bitClear
	}
	if i%8 != 0 || b.unread != nil {
		return state, 1
	}
	like := byte(0)
	if set {
		like = 0xFF
	}
	k := i / 8
	for int(k) < len(b.bits) && b.bits[k] == like {
		k++
	}
	return state, max(8*k-i, 1)
}

// mayBeUsed reports whether bit i does not prove that its inode is unused.
func (b *bitmap) mayBeUsed(i uint32) bool {
	set, known := b.get(i)
	return set || !known || !b.sure
}

// readBitmap reads a bitmap of n bits at a block and holds it against want.
func (v *Volume) readBitmap(d *groupDesc, uninit uint16, block uint64, n uint32, want uint32) bitmap {
	if !d.Known || d.NoBitmaps {
		return bitmap{none: true}
	}
	if d.Checked && !d.Backup && d.Flags&uninit != 0 {
		return bitmap{clear: true, sure: true}
	}
	b := bitmap{bits: make([]byte, v.bs)}
	b.unread = v.readBlockReadable(b.bits, block)
	b.bits = b.bits[:min((int64(n)+7)/8, v.bs)]
	switch {
	case v.sb.metadataCsum():
		if b.unread.touches(0, int64(len(b.bits))) {
			break // what was read cannot be vouched for
		}
		got := crc32c(v.sb.ChecksumSeed, b.bits)
		if v.sb.DescSize < 64 {
			got &= 0xFFFF
		}
		switch {
		case got == want:
			b.sure = true
		case !d.Backup: // a copy's checksum is of an older bitmap
			return bitmap{none: true, fault: true}
		}
	case d.Backup && d.Checked:
		// the group may not be initialised, which only the primary would say
	default:
		b.sure = true
	}
	return b
}

func (v *Volume) inodeBitmap(g uint64) bitmap {
	d := &v.groups.list[g]
	return v.readBitmap(d, groupInodeUninit, d.InodeBitmap, v.sb.InodesPerGroup, d.InodeCsum)
}

func (v *Volume) blockBitmap(g uint64) bitmap {
	d := &v.groups.list[g]
	bits := uint64(v.sb.BlocksPerGroup) / v.sb.clusterBlocks()
	return v.readBitmap(d, groupBlockUninit, d.BlockBitmap, uint32(bits), d.BlockCsum)
}

// unused reports whether a bitmap calls inode i of its group free, and is to be
// believed over a live record: where it passed its checksum, or where the
// record has none that would prove it.
func (v *Volume) unused(b *bitmap, i uint32) bool {
	set, known := b.get(i)
	return known && !set && (b.sure || !v.sb.metadataCsum())
}

package fat

import "encoding/binary"

// Bits that tell how a volume was left. The table's second entry has them as ones
// where all is well (Overview, "FAT Data Structure", ClnShutBitMask and
// HrdErrBitMask). Windows and Linux keep the same two, as ones where it is not, in
// the byte of the boot sector before the extended signature (Linux,
// include/uapi/linux/msdos_fs.h, FAT_STATE_DIRTY).
const (
	stateDirty = 1
	stateError = 2
)

// Words for how a volume was left.
const (
	notClosed   = "the volume was not closed (it is marked as dirty): it may be in the middle of a change"
	drivesError = "the volume is marked as one on whose drive a read or write failed"
)

// readState takes from the boot sector and the table how the volume was left. The
// copy of the boot sector does not tell.
func (d *fatFormat) readState(l *layout) {
	var state byte
	b := make([]byte, bootSectorSize)
	if _, err := l.r.ReadAt(b, l.start); err == nil && d.source == fromBoot {
		at := 37
		if d.boot.Width == width28 {
			at = 65
		}
		if b[at+1] == 0x28 || b[at+1] == 0x29 {
			state = b[at]
		}
	}
	if f := l.table.form; f.width != width12 {
		clean := uint32(1) << (f.width - 1)
		for _, at := range l.table.copies {
			if _, err := l.r.ReadAt(b[:8], at); err != nil || !f.begins(b) {
				continue
			}
			v := binary.LittleEndian.Uint32(b[4:])
			if f.width == width16 {
				v = uint32(binary.LittleEndian.Uint16(b[2:]))
			}
			if (v|clean|clean>>1)&f.ones()|7 != f.ones() {
				continue // it is no end mark: it tells nothing
			}
			if v&clean == 0 {
				state |= stateDirty
			}
			if v&(clean>>1) == 0 {
				state |= stateError
			}
			break
		}
	}
	l.tell(state&stateDirty != 0, state&stateError != 0)
}

// tell says how the volume was left.
func (l *layout) tell(dirty, failed bool) {
	if dirty {
		l.open = append(l.open, notClosed)
	}
	if failed {
		l.note(drivesError)
	}
}

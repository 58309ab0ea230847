package fat

import (
	"fileassay/extract"
	"fileassay/extract/image"
)

// SlotSize is the size of a slot of a folder, bytes.
const slotSize = 32

// Slot is a 32-byte slot of a folder, or a row of them that were not read.
type slot struct {
	Bytes []byte // nil where unread; good until the next slot
	At    int64  // in the image
	Count int64  // 1, or how many slots were not read
}

// sliceBytes is how much of a folder is held at a time.
const sliceBytes = 256 << 10

// Slots calls visit for the slots in parts of the image in order, until it
// returns false. Slots that were not read come in rows.
func eachSlot(r *image.Reader, parts []extract.Extent, visit func(slot) bool) {
	var buf []byte
	gap := slot{}
	flush := func() bool {
		if gap.Count == 0 {
			return true
		}
		g := gap
		gap = slot{}
		return visit(g)
	}
	for _, part := range parts {
		for done := int64(0); done+slotSize <= part.Length; {
			n := min(sliceBytes, part.Length-done) / slotSize * slotSize
			if int64(cap(buf)) < n {
				buf = make([]byte, n)
			}
			b := buf[:n]
			at := part.Image + done
			done += n
			unread := r.ReadReadable(b, at)
			for i := int64(0); i < n; i += slotSize {
				for len(unread) > 0 && unread[0].End() <= at+i {
					unread = unread[1:]
				}
				if len(unread) > 0 && unread[0].Start < at+i+slotSize {
					if gap.Count == 0 {
						gap.At = at + i
					}
					gap.Count++
					continue
				}
				if !flush() || !visit(slot{b[i : i+slotSize : i+slotSize], at + i, 1}) {
					return
				}
			}
		}
	}
	flush()
}

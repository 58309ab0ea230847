package fat

import (
	"fileassay/extract"
	"fileassay/extract/image"
)

// slotSize is the size of a slot of a folder, bytes.
const slotSize = 32

// slot is a 32-byte slot of a folder, or a row of them that were not read.
type slot struct {
	Bytes []byte // nil where unread; good until the next slot
	At    int64  // in the image
	Count int64  // 1, or how many slots were not read
	N     int64  // which one of the folder it is, from 0
	// AfterGap says that the slot before was not read.
	AfterGap bool
}

// sliceBytes is how much of a folder is held at a time.
const sliceBytes = 256 << 10

// eachSlot calls visit for the slots in parts of the image in order, until it
// returns false. Slots that were not read come in rows.
func eachSlot(r *image.Reader, parts []extract.Extent, visit func(slot) bool) {
	var buf []byte
	var gap slot
	number := int64(0)
	for _, part := range parts {
		for done := int64(0); done+slotSize <= part.Length; {
			n := min(sliceBytes, part.Length-done) / slotSize * slotSize
			if int64(cap(buf)) < n {
				buf = make([]byte, n)
			}
			at := part.Image + done
			b := r.Partial(buf[:n], at)
			for i := int64(0); i < n; i += slotSize {
				s, ok := b.Get(int(i), slotSize)
				switch {
				case ok:
					if gap.Count > 0 && !visit(gap) || !visit(slot{s, at + i, 1, number, gap.Count > 0}) {
						return
					}
					gap.Count = 0
				case gap.Count == 0:
					gap = slot{At: at + i, Count: 1, N: number}
				default:
					gap.Count++
				}
				number++
			}
			done += n
		}
	}
	if gap.Count > 0 {
		visit(gap)
	}
}

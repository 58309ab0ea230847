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
}

// sliceBytes is how much of a folder is held at a time.
const sliceBytes = 256 << 10

// eachSlot calls visit for the slots in parts of the image in order, until it
// returns false. Slots that were not read come in rows.
func eachSlot(r *image.Reader, parts []extract.Extent, visit func(slot) bool) {
	var buf []byte
	var gap slot
	flush := func() bool {
		g := gap
		gap = slot{}
		return g.Count == 0 || visit(g)
	}
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
				if !ok {
					if gap.Count == 0 {
						gap.At = at + i
					}
					gap.Count++
				} else if !flush() || !visit(slot{s, at + i, 1}) {
					return
				}
			}
			done += n
		}
	}
	flush()
}

package mdraid

import (
	"encoding/binary"
	"fmt"

	"fileassay/extract/image"
	"fileassay/extract/ranges"
)

// badLog is where the list stands of the sectors that the array gave up on a
// drive: they were not written since, and what stands there is old or nothing.
type badLog struct {
	at      int64 // in the image, bytes
	sectors int64
	shift   uint8 // of its numbers, to sectors
}

// maxLog is the most that the kernel reads of it: a page. Kernel,
// drivers/md/md.c, super_1_load.
const maxLog = 8

// badBlocks reads the list. An entry has 64 bits: sectors in the low ten, the
// first of them above, counted from the drive's or partition's start, and ones
// alone end the list (kernel, as above).
func (a *Array) badBlocks(r *image.Reader, start, length int64) {
	l := a.log
	if l == nil {
		return
	}
	unsure := func(format string, args ...any) {
		a.BadUnsure = "the array keeps a list of sectors that it gave up on this drive, and " + fmt.Sprintf(format, args...)
	}
	if l.sectors == 0 || l.sectors > maxLog || l.at < start || l.at+l.sectors*512 > start+length || l.shift > 32 {
		unsure("its place cannot be")
		return
	}
	a.BadNeeds = []ranges.Range{{Start: l.at, End: l.at + l.sectors*512}}
	b := make([]byte, l.sectors*512)
	if _, err := r.ReadAt(b, l.at); err != nil {
		unsure("it was not read: %v", err)
		return
	}
	var bad ranges.Set
	for ; len(b) > 0; b = b[8:] {
		e := binary.LittleEndian.Uint64(b)
		if e == 1<<64-1 {
			break
		}
		first, count := e>>10, e&0x3FF
		if count == 0 || first > uint64(length/512)>>l.shift || count > uint64(length/512)>>l.shift-first {
			unsure("an entry of it cannot be")
			continue
		}
		bad.Add(start+int64(first<<l.shift)*512, int64(count<<l.shift)*512)
	}
	for rg := range bad.Within(a.Start, a.Length) {
		a.Bad = append(a.Bad, rg)
	}
}

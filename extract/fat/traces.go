package fat

import (
	"fmt"

	"fileassay/extract/image"
)

// tracesEnd is how far into a volume tables are looked for that no boot sector
// tells of: formatting programs put them behind 1 to a few thousand reserved
// sectors (common practice, no source), and the second one of FAT12 or FAT16
// begins within 256 sectors more.
const tracesEnd = 2 << 20

// Traces names what stands near the start of a range that only a FAT volume has
// there, "" for nothing: the first entries of an allocation table, which hold the
// media descriptor and the end mark. FAT12 has so few bits of them that two copies
// are asked for. Overview, "FAT Data Structure".
func Traces(r *image.Reader, start, length int64) string {
	b := r.Partial(make([]byte, min(length, tracesEnd)), start)
	small := 0
	for at := bootSectorSize; at+bootSectorSize <= b.Len(); at += bootSectorSize {
		s, ok := b.Get(at, 8)
		if !ok || s[0] != 0xF0 && s[0] != 0xF8 || s[1] != 0xFF || s[2] != 0xFF {
			continue
		}
		wide := s[3]&0x0F == 0x0F && s[3] < 0x10 && s[4] == 0xFF && s[5] == 0xFF && s[6] == 0xFF && s[7]&0x03 == 0x03
		middle := s[3] == 0xFF || s[3] == 0x7F || s[3] == 0xBF
		if !wide && !middle {
			small++
		}
		if wide || middle || small > 1 {
			return fmt.Sprintf("allocation table at offset %d", r.Base()+start+int64(at))
		}
	}
	return ""
}

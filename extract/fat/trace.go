package fat

// mostReserved is the most of sectors that formatting programs reserve before the
// first table of a volume, so that its clusters are aligned, or its second table of
// 16 bits lies behind (common practice, no source).
const mostReserved = 4 << 20

// Trace names what stands at the start of window where that is the begin of an
// allocation table, which speaks for a FAT or exFAT volume without telling where
// that begins; "" for anything else. The first entries hold the media descriptor
// of hard drives or of floppy disks and the end mark. Overview, "FAT Data
// Structure". FAT12 is left aside: three bytes are too few to tell by. back is how
// many bytes before it the volume may begin. window is all read.
func Trace(window []byte) (what string, back int64) {
	if len(window) < 8 || !Begins(window) {
		return "", 0
	}
	wide := window[3]&0x0F == 0x0F && window[3] < 0x10 && window[4] == 0xFF && window[5] == 0xFF && window[6] == 0xFF && window[7]&0x03 == 0x03
	if wide || window[3] == 0xFF || window[3] == 0x7F || window[3] == 0xBF {
		return "allocation table", mostReserved
	}
	return "", 0
}

// Begins reports whether a sector begins as an allocation table of any width does.
// That is three bytes: two equal sectors that do, no farther apart than the longest
// table of FAT12, speak for a volume of it. Overview, "FAT Data Structure".
func Begins(sector []byte) bool {
	return len(sector) > 2 && (sector[0] == 0xF0 || sector[0] == 0xF8) && sector[1] == 0xFF && sector[2] == 0xFF
}

// LargestTable12 is the bytes of the longest table of FAT12, of 4084 clusters, in
// whole sectors of 4096 bytes.
const LargestTable12 = 8192

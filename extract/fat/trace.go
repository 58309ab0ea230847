package fat

// How far behind the start of a volume its tables begin: with entries of 32 bits
// formatting programs reserve up to some MiB, so that clusters are aligned; with 16
// bits some sectors, and the second table lies behind one of 128 KiB at the most
// (common practice, no source).
const (
	mostReserved   = 4 << 20
	mostReserved16 = 192 << 10
)

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
	switch {
	case wide, window[3] == 0xFF && window[4] == 0xFF && window[5] == 0xFF: // FAT32, exFAT
		return "allocation table", mostReserved
	case window[3] == 0xFF, window[3] == 0x7F, window[3] == 0xBF:
		return "allocation table", mostReserved16
	}
	return "", 0
}

// Begins reports whether a sector begins as an allocation table of any width does.
// That is three bytes: two equal sectors that do, no farther apart than the longest
// table of FAT12, speak for a volume of it. Overview, "FAT Data Structure".
func Begins(sector []byte) bool {
	return len(sector) > 2 && (sector[0] == 0xF0 || sector[0] == 0xF8) && sector[1] == 0xFF && sector[2] == 0xFF
}

// LargestTable12 is the most bytes that a table of FAT12 takes: it needs twelve
// sectors, and formatting programs round that up to whole clusters (common
// practice, no source).
const LargestTable12 = 64 << 10

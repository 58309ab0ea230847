package fat

// Trace names what stands at the start of window where that is the begin of an
// allocation table, which speaks for a FAT or exFAT volume without telling where
// that begins; "" for anything else. The first entries hold the media descriptor
// of hard drives or of floppy disks and the end mark. Overview, "FAT Data
// Structure". FAT12 is left aside: three bytes are too few to tell by. window is
// all read.
func Trace(window []byte) string {
	if len(window) < 8 || window[0] != 0xF0 && window[0] != 0xF8 || window[1] != 0xFF || window[2] != 0xFF {
		return ""
	}
	wide := window[3]&0x0F == 0x0F && window[3] < 0x10 && window[4] == 0xFF && window[5] == 0xFF && window[6] == 0xFF && window[7]&0x03 == 0x03
	if wide || window[3] == 0xFF || window[3] == 0x7F || window[3] == 0xBF {
		return "allocation table"
	}
	return ""
}

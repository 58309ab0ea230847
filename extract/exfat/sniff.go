package exfat

import "fileassay/extract"

// Sniff names the volumes that the sector at the start of window speaks for:
// as their boot sector, or as the backup of it at sector 12. window is up to
// 4096 bytes of the image from at, all read.
func Sniff(window []byte, at int64) []extract.Candidate {
	s, err := parseBoot(window)
	if err != nil {
		return nil
	}
	list := []extract.Candidate{{Start: at, Length: s.length(), Filesystem: "exfat", From: "boot sector", At: at}}
	if start := at - regionSectors*s.SectorSize; start >= 0 {
		list = append(list, extract.Candidate{Start: start, Length: s.length(), Filesystem: "exfat", From: "backup boot sector", At: at})
	}
	return list
}

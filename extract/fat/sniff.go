package fat

import (
	"fileassay/extract"
	"fileassay/extract/chain"
)

// Sniff names the volumes that the sector at the start of window speaks for:
// as their boot sector, or on FAT32 as the copy of it. window is up to 4096
// bytes of the image from at, all read.
func Sniff(window []byte, at int64) []extract.Candidate {
	s, err := parseBoot(window)
	if err != nil || !plausibleJump(window) {
		return nil
	}
	list := []extract.Candidate{{Start: at, Length: s.length(), Filesystem: s.kind(), From: "boot sector", At: at}}
	if s.Width == chain.Width28 && s.BackupSector > 0 && s.BackupSector < s.Reserved {
		if start := at - s.BackupSector*s.SectorSize; start >= 0 {
			list = append(list, extract.Candidate{Start: start, Length: s.length(), Filesystem: s.kind(), From: "backup boot sector", At: at})
		}
	}
	return list
}

// plausibleJump reports whether a boot sector begins with a jump. Overview,
// BS_jmpBoot; it is asked only where nothing but the sector itself says that a
// volume begins there.
func plausibleJump(b []byte) bool {
	return b[0] == 0xEB && b[2] == 0x90 || b[0] == 0xE9
}

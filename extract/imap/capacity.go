package imap

// Capacity is a size that drives are sold with.
type Capacity struct {
	Gigabytes int64 `json:"gigabytes"` // of 10^9 bytes, as on the label
	Sector    int64 `json:"sector"`    // bytes
}

// UsualCapacity tells whether a drive of size bytes has one of the sizes that
// drive makers agreed on: IDEMA document LBA1-03, "LBA Count for Disk Drives
// Standard", gives the number of sectors of a drive of C gigabytes, C at
// least 50, as 97,696,368 + 1,953,504 x (C - 50) for sectors of 512 bytes, and
// 12,212,046 + 244,188 x (C - 50) for sectors of 4096 bytes. (Both constants
// from memory; the document was not at hand.) For one C the two sizes are the
// same, so the sector size is told as 512.
//
// Drives under 50 GB and flash media follow no such rule.
func UsualCapacity(size int64) (Capacity, bool) {
	for _, f := range [...]struct{ sector, base, step int64 }{
		{512, 97_696_368, 1_953_504},
		{4096, 12_212_046, 244_188},
	} {
		if size <= 0 || size%f.sector != 0 {
			continue
		}
		over := size/f.sector - f.base
		if over >= 0 && over%f.step == 0 && over/f.step < 1_000_000 {
			return Capacity{50 + over/f.step, f.sector}, true
		}
	}
	return Capacity{}, false
}

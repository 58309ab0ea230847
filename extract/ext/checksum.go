package ext

import (
	"hash/crc32"
	"slices"
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// zeros stand for a checksum's own bytes where it covers them.
var zeros = make([]byte, 4)

// crc32c continues an ext4 checksum over parts of bytes. ext4 starts from ~0 and leaves out
// the final inversion (ext4: checksums), which the library's Update does at
// either end.
func crc32c(crc uint32, parts ...[]byte) uint32 {
	for _, b := range parts {
		crc = ^crc32.Update(^crc, castagnoli, b)
	}
	return crc
}

// crc32cLE32 continues a checksum over a little-endian number.
func crc32cLE32(crc, v uint32) uint32 {
	return crc32c(crc, []byte{byte(v), byte(v >> 8), byte(v >> 16), byte(v >> 24)})
}

// crc16Table is for the reflected polynomial 0xA001 of the group descriptors
// of volumes with gdt_csum (ext4: group_descr, bg_checksum).
var crc16Table = func() (t [256]uint16) {
	for i := range t {
		c := uint16(i)
		for range 8 {
			if c&1 != 0 {
				c = c>>1 ^ 0xA001
			} else {
				c >>= 1
			}
		}
		t[i] = c
	}
	return t
}()

func crc16(crc uint16, b []byte) uint16 {
	for _, x := range b {
		crc = crc>>8 ^ crc16Table[byte(crc)^x]
	}
	return crc
}

// uncrc32c is the checksum that crc32c made crc of, going on over the parts: the
// same backwards.
func uncrc32c(crc uint32, parts ...[]byte) uint32 {
	for _, b := range slices.Backward(parts) {
		for _, x := range slices.Backward(b) {
			k := crc32cTop[crc>>24] // the high byte tells which entry was taken
			crc = (crc^castagnoli[k])<<8 | uint32(k^x)
		}
	}
	return crc
}

// crc32cTop tells the entry of the table by its high byte, which no two share.
var crc32cTop = func() (t [256]byte) {
	for i, v := range castagnoli {
		t[v>>24] = byte(i)
	}
	return t
}()

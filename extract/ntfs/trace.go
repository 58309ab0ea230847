package ntfs

import (
	"bytes"
	"encoding/binary"
)

// tableName is the name of the file table's own record, in UTF-16LE.
var tableName = []byte("$\x00M\x00F\x00T\x00")

// Trace names what stands at the start of window where that is the first record
// of a file table or of its mirror, which speaks for an NTFS volume without
// telling where that begins; "" for anything else. window holds up to 4096 bytes,
// all read.
func Trace(window []byte) string {
	if len(window) < 512 || string(window[:4]) != "FILE" {
		return ""
	}
	le := binary.LittleEndian
	if le.Uint16(window[recordFlags:])&recordFlagInUse == 0 || le.Uint64(window[recordBase:]) != 0 || !bytes.Contains(window[:512], tableName) {
		return ""
	}
	return "record of the file table itself"
}

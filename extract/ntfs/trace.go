package ntfs

import (
	"bytes"
	"encoding/binary"

	"fileassay/extract"
	"fileassay/extract/partial"
)

// tableName is the name of the file table's own record, in UTF-16LE.
var tableName = []byte("$\x00M\x00F\x00T\x00")

// largestCluster is the largest that Windows made for most of its life.
const largestCluster = 64 << 10

// Trace names what stands at the start of window where that is the first record
// of a file table or of its mirror, which speaks for an NTFS volume without
// telling where that begins; "" for anything else. back is how many bytes before
// it the volume may begin, by the table's place and the largest cluster. window
// holds up to 4096 bytes, all read.
func Trace(window []byte) (what string, back int64) {
	if len(window) < 1024 || string(window[:4]) != "FILE" || !bytes.Contains(window[:512], tableName) {
		return "", 0
	}
	var rec record
	size := int(min(binary.LittleEndian.Uint32(window[recordAllocated:]), uint32(len(window))))
	rec.parse(partial.Bytes{Data: bytes.Clone(window[:max(size, 1024)])}, recMFT)
	if rec.state != recordUsed {
		return "", 0
	}
	if a := rec.attr(attrData, ""); a != nil && !a.resident {
		first := int64(-1)
		units := area{cluster: 1, clusters: maxVCN}
		_, _ = units.decodeRuns(rec.data.Data[a.runsOff:a.end], 0, func(e extract.Extent) { // as far as it goes
			if first < 0 {
				first = e.Image
			}
		})
		back = max(first, 0) * largestCluster
	}
	return "record of the file table itself", back
}

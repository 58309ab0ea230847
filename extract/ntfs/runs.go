package ntfs

import (
	"fmt"

	"fileassay/extract"
)

// maxVCN bounds the clusters of a stream, so that bytes never overflow with
// clusters of any size.
const maxVCN = 1 << 40

// decodeRuns calls yield for each run of a mapping, a stretch of a stream's
// clusters that lie one behind the other [docs: concepts/data_runs.html], as far
// as it was read and makes sense; b ends where the attribute or what was read of
// it ends. The first run begins at cluster lowest of the stream. It returns the
// cluster behind the last run, and an error where the mapping is broken there; a
// mapping that was cut short by the end of b, before its end mark, is an error
// too.
func (v *area) decodeRuns(b []byte, lowest int64, yield func(extract.Extent)) (int64, error) {
	vcn, lcn := lowest, int64(0)
	for i := 0; ; {
		if i >= len(b) {
			return vcn, fmt.Errorf("runs have no end mark after cluster %d of the stream", vcn)
		}
		head := b[i]
		if head == 0 {
			return vcn, nil
		}
		nlen, noff := int(head&15), int(head>>4)
		i++
		if nlen == 0 || nlen > 8 || noff > 8 {
			return vcn, fmt.Errorf("run head %#02x after cluster %d of the stream", head, vcn)
		}
		if i+nlen+noff > len(b) {
			return vcn, fmt.Errorf("run is cut short after cluster %d of the stream", vcn)
		}
		length := signed(b[i : i+nlen])
		if length <= 0 || length > maxVCN || vcn > maxVCN-length {
			return vcn, fmt.Errorf("run of %d clusters after cluster %d of the stream", length, vcn)
		}
		e := extract.Extent{Offset: vcn * v.cluster, Image: hole, Length: length * v.cluster}
		if noff > 0 {
			lcn += signed(b[i+nlen : i+nlen+noff])
			if lcn < 0 || lcn > v.clusters-length {
				return vcn, fmt.Errorf("run of %d clusters at cluster %d lies outside the volume of %d clusters", length, lcn, v.clusters)
			}
			e.Image = v.at(lcn)
		}
		yield(e)
		vcn += length
		i += nlen + noff
	}
}

// signed decodes a little-endian two's complement number of 1 to 8 bytes.
func signed(b []byte) int64 {
	v := int64(int8(b[len(b)-1]))
	for i := len(b) - 2; i >= 0; i-- {
		v = v<<8 | int64(b[i])
	}
	return v
}

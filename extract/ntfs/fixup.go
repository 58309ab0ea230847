package ntfs

import (
	"fmt"

	"fileassay/extract/partial"
	"fileassay/extract/ranges"
)

// stride is the number of bytes that one entry of an update sequence guards,
// whatever the sector size [docs: concepts/fixup.html].
const stride = 512

// applyFixups checks each stride of a multi-sector record against its update
// sequence and puts the original bytes back. The first stride must have been
// read. What was read but fails the check is lost, that stride alone, and so is
// the rest of one that was not wholly read. It returns where the update sequence
// array stands, and the strides that fail. An array that makes no sense is an
// error, and condemns the whole record.
func applyFixups(b *partial.Bytes) (array int, torn []ranges.Range, err error) {
	p := b.Data
	array, count := int(le.Uint16(p[4:])), int(le.Uint16(p[6:])) // the number itself is counted
	if count != len(p)/stride+1 {
		return array, nil, fmt.Errorf("update sequence of %d entries for %d strides", count, len(p)/stride)
	}
	if array < 0x18 || array%2 != 0 || array+2*count > stride-2 {
		return array, nil, fmt.Errorf("update sequence at %#x", array)
	}
	number := le.Uint16(p[array:])
	for i := 1; i < count; i++ {
		from, to := (i-1)*stride, i*stride
		switch read := b.Has(from, stride); {
		case read && le.Uint16(p[to-2:]) == number:
			copy(p[to-2:to], p[array+2*i:])
			continue
		case read:
			torn = ranges.Append(torn, ranges.Range{Start: int64(from), End: int64(to)})
		}
		b.Lose(from, to)
	}
	return array, torn, nil
}

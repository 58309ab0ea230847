package ntfs

import "fmt"

// stride is the number of bytes that one entry of an update sequence guards,
// whatever the sector size [docs: concepts/fixup.html].
const stride = 512

// strides is a set of strides of a record or index block, a bit each.
type strides uint64

func (s strides) has(i int64) bool { return s>>uint(i)&1 != 0 }

// clean reports whether none of the bytes [from, to) lies in a stride of the
// set.
func (s strides) clean(from, to int) bool {
	if s == 0 || from >= to {
		return true
	}
	for i := from / stride; i <= (to-1)/stride; i++ {
		if s>>uint(i)&1 != 0 {
			return false
		}
	}
	return true
}

// updateSequence says where a record's update sequence array stands.
type updateSequence struct {
	offset, count int // in the record; count includes the number itself
}

// applyFixups checks each stride of a multi-sector record against its update
// sequence and puts the original bytes back. unread are strides that were not
// read; the first one must have been. It returns the strides that were read
// but fail the check: each names that stride alone. An array that makes no
// sense is an error, and condemns the whole record.
func applyFixups(b []byte, unread strides) (us updateSequence, torn strides, err error) {
	us.offset, us.count = int(le.Uint16(b[4:])), int(le.Uint16(b[6:]))
	if us.count != len(b)/stride+1 {
		return us, 0, fmt.Errorf("update sequence of %d entries for %d strides", us.count, len(b)/stride)
	}
	if us.offset < 0x18 || us.offset%2 != 0 || us.offset+2*us.count > stride-2 {
		return us, 0, fmt.Errorf("update sequence at %#x", us.offset)
	}
	number := le.Uint16(b[us.offset:])
	for i := 0; i < us.count-1; i++ {
		if unread.has(int64(i)) {
			continue
		}
		end := b[(i+1)*stride-2 : (i+1)*stride]
		if le.Uint16(end) != number {
			torn |= 1 << uint(i)
			continue
		}
		copy(end, b[us.offset+2*(i+1):])
	}
	return us, torn, nil
}

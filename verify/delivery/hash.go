package delivery

import (
	"crypto/sha256"
	"hash"
	"io"
)

// orderedHash hashes content that comes in pieces. A piece that begins where
// the hashed content ends, or ends but for a hole, is hashed at once; any
// other is left to finish, which reads it from the written file.
type orderedHash struct {
	h    hash.Hash
	next int64 // all before it is hashed
	f    *file
	fill []byte
}

func newOrderedHash(f *file, filler []byte) *orderedHash {
	return &orderedHash{h: sha256.New(), f: f, fill: filler}
}

// put takes the content at off; prev is where the content before it ends.
func (o *orderedHash) put(prev, off int64, data []byte) {
	if o.next != prev {
		return
	}
	o.void(off)
	o.h.Write(data)
	o.next = off + int64(len(data))
}

var zeroBlock [64 << 10]byte

// void hashes what stands in holes and missing ranges up to end.
func (o *orderedHash) void(end int64) {
	plain := func(to int64) {
		for o.next < to {
			n := min(to-o.next, int64(len(zeroBlock)))
			o.h.Write(zeroBlock[:n])
			o.next += n
		}
	}
	if !zeros(o.fill) {
		for _, m := range o.f.missing {
			if m.end() <= o.next {
				continue
			}
			if m.off >= end {
				break
			}
			plain(max(o.next, m.off))
			stop := min(m.end(), end)
			block := fillerBlock(o.fill, o.next)
			for o.next < stop {
				n := min(stop-o.next, int64(len(block)))
				o.h.Write(block[:n])
				o.next += n
			}
		}
	}
	plain(end)
}

// fillerBlock is filler for the content from off on, some whole number of
// repetitions long: the pattern is counted from the begin of the file.
func fillerBlock(filler []byte, off int64) []byte {
	n := (64<<10)/len(filler) + 1
	block := make([]byte, n*len(filler))
	at := int(off % int64(len(filler)))
	for i := range block {
		block[i] = filler[(at+i)%len(filler)]
	}
	return block
}

// finish hashes what is not hashed yet, from the written file, and returns the
// digest.
func (o *orderedHash) finish(written io.ReaderAt) (sum [32]byte, err error) {
	if o.next == o.f.last {
		o.void(o.f.size)
	}
	if o.next < o.f.size {
		buf := make([]byte, 256<<10)
		for o.next < o.f.size {
			n := min(o.f.size-o.next, int64(len(buf)))
			if _, err := written.ReadAt(buf[:n], o.next); err != nil {
				return sum, err
			}
			o.h.Write(buf[:n])
			o.next += n
		}
	}
	o.h.Sum(sum[:0])
	return sum, nil
}

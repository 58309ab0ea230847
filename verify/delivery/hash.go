package delivery

import (
	"cmp"
	"crypto/sha256"
	"hash"
	"io"
)

// digest is the digest and the size of what a reader gives.
func digest(r io.Reader) (sum [32]byte, n int64, err error) {
	h := sha256.New()
	n, err = io.Copy(h, r)
	h.Sum(sum[:0])
	return sum, n, err
}

// orderedHash hashes content that comes in pieces. A piece that begins where
// the hashed content ends, or ends but for a hole, is hashed at once; any
// other is left to finish, which reads it from the written file.
type orderedHash struct {
	h    hash.Hash
	next int64 // all before it is hashed
	f    *file
	fill []byte
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
	if left := o.f.size - o.next; left > 0 {
		rest := io.NewSectionReader(written, o.next, left)
		if n, err := io.CopyBuffer(o.h, rest, make([]byte, 256<<10)); err != nil || n < left {
			return sum, cmp.Or(err, io.EOF)
		}
	}
	o.h.Sum(sum[:0])
	return sum, nil
}

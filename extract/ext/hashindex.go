package ext

import (
	"encoding/binary"
	"math"
	"math/bits"

	"fileassay/extract/partial"
)

// A large folder has an index: its first block and nodes below it give each block of
// names the hashes that these have. Where a volume keeps no checksums, it is all that
// tells an old block of names from the one that replaced it. ext4: directory, "Hash
// Tree Directories"; the hashes are those of the kernel's fs/ext4/hash.c.

// hashRange are the hashes that the names of a block have, both ends included.
type hashRange struct{ low, high uint32 }

// Kinds of hashes. ext4: super, "s_def_hash_version".
const (
	hashLegacy  = 0
	hashHalfMD4 = 1
	hashTEA     = 2
)

// maxIndexDepth is how many nodes stand below each other at most, the root left out.
// Kernel, fs/ext4/ext4.h: EXT4_HTREE_LEVEL.
const maxIndexDepth = 2

// hashIndex reads the hashes of a folder's blocks; kind is that of the hash. It is nil
// where there is no index to be held to, or not all of it was read.
func (t *tree) hashIndex(f *folderPlan) (kind uint8, out map[uint64]hashRange) {
	if t.sb.metadataCsum() || t.sb.Compat&compatDirIndex == 0 || f.flags&inodeIndex == 0 || f.flags&inodeCasefold != 0 {
		return 0, nil
	}
	buf, done := t.borrow(t.bs)
	defer done()
	at := func(logical uint64) partial.Bytes {
		for _, r := range f.runs {
			if r.Kind == runData && r.Logical <= logical && logical-r.Logical < r.Length {
				return t.read(buf, r.Physical+logical-r.Logical)
			}
		}
		return partial.Bytes{}
	}
	root := at(0)
	if root.Len() == 0 || !root.Whole() {
		return 0, nil
	}
	b := root.Data
	if head, ok := indexHead(&t.sb, b); !ok || head != indexRootHead || b[28] > hashTEA || b[30] > maxIndexDepth {
		return 0, nil
	}
	kind = b[28]
	out = map[uint64]hashRange{}
	var node func(b []byte, head int, depth uint8, in hashRange) bool
	node = func(b []byte, head int, depth uint8, in hashRange) bool {
		le := binary.LittleEndian
		limit, count := int(le.Uint16(b[head:])), int(le.Uint16(b[head+2:]))
		if count == 0 || count > limit || head+8*limit > len(b) {
			return false
		}
		type entry struct {
			hashRange
			block uint64
		}
		list := make([]entry, count)
		low := in.low
		for i := range list {
			list[i] = entry{hashRange{low, in.high}, uint64(le.Uint32(b[head+8*i+4:]) & 0x0FFFFFFF)}
			if i+1 == count {
				break
			}
			next := le.Uint32(b[head+8*i+8:]) // its low bit tells that names of one hash stand on both sides
			if low = next &^ 1; low < list[i].low || low > in.high {
				return false
			}
			list[i].high = low
			if next&1 == 0 {
				list[i].high = max(low, 1) - 1
			}
		}
		for _, e := range list {
			if depth == 0 {
				if _, twice := out[e.block]; twice || e.block == 0 {
					return false
				}
				out[e.block] = e.hashRange
				continue
			}
			below := at(e.block)
			if below.Len() == 0 || !below.Whole() {
				return false
			}
			if h, ok := indexHead(&t.sb, below.Data); !ok || h == indexRootHead || !node(below.Data, h, depth-1, e.hashRange) {
				return false
			}
		}
		return true
	}
	if !node(b, indexRootHead, b[30], hashRange{0, math.MaxUint32}) {
		return 0, nil
	}
	return kind, out
}

// holds reports whether a name may stand in a block with these hashes. The bytes of
// names were taken with or without sign; where the superblock does not say which,
// either will do.
func (r hashRange) holds(sb *superblock, kind uint8, name []byte) bool {
	for _, signed := range []bool{true, false} {
		if sb.Flags&(flagSignedHash|flagUnsignedHash) == flagUnsignedHash && signed || sb.Flags&(flagSignedHash|flagUnsignedHash) == flagSignedHash && !signed {
			continue
		}
		if h := nameHash(sb, kind, signed, name); r.low <= h && h <= r.high {
			return true
		}
	}
	return false
}

// nameHash is the hash of a name.
func nameHash(sb *superblock, kind uint8, signed bool, name []byte) uint32 {
	char := func(c byte) uint32 {
		if signed {
			return uint32(int32(int8(c)))
		}
		return uint32(c)
	}
	var h uint32
	switch kind {
	case hashLegacy:
		h0, h1 := uint32(0x12a3fe2d), uint32(0x37abe8f9)
		for _, c := range name {
			h = h1 + (h0 ^ char(c)*7152373)
			if h&0x80000000 != 0 {
				h -= 0x7fffffff
			}
			h0, h1 = h, h0
		}
		h = h0 << 1
	default:
		buf := [4]uint32{0x67452301, 0xefcdab89, 0x98badcfe, 0x10325476}
		if sb.HashSeed != [4]uint32{} {
			buf = sb.HashSeed
		}
		words := 8
		if kind == hashTEA {
			words = 4
		}
		for pos := 0; pos < len(name); pos += 4 * words {
			in := hashInput(name[pos:], words, char)
			if kind == hashTEA {
				mixTEA(&buf, &in)
			} else {
				mixHalfMD4(&buf, &in)
			}
		}
		h = buf[1]
		if kind == hashTEA {
			h = buf[0]
		}
	}
	if h &^= 1; h == 0xFFFFFFFE { // it stands for the end
		h -= 2
	}
	return h
}

// hashInput packs a name into words, the rest filled up with its length.
func hashInput(name []byte, words int, char func(byte) uint32) (in [8]uint32) {
	pad := uint32(len(name)) | uint32(len(name))<<8
	pad |= pad << 16
	for k := range words {
		in[k] = pad
		for _, c := range name[min(4*k, len(name)):min(4*k+4, len(name))] {
			in[k] = char(c) + in[k]<<8
		}
	}
	return in
}

func mixTEA(buf *[4]uint32, in *[8]uint32) {
	b0, b1, sum := buf[0], buf[1], uint32(0)
	for range 16 {
		sum += 0x9E3779B9
		b0 += (b1<<4 + in[0]) ^ (b1 + sum) ^ (b1>>5 + in[1])
		b1 += (b0<<4 + in[2]) ^ (b0 + sum) ^ (b0>>5 + in[3])
	}
	buf[0] += b0
	buf[1] += b1
}

// mixHalfMD4 is a cut-back MD4 transformation.
func mixHalfMD4(buf *[4]uint32, in *[8]uint32) {
	rounds := [3]struct {
		mix   func(x, y, z uint32) uint32
		add   uint32
		order [8]int
		turn  [4]int
	}{
		{func(x, y, z uint32) uint32 { return z ^ x&(y^z) }, 0, [8]int{0, 1, 2, 3, 4, 5, 6, 7}, [4]int{3, 7, 11, 19}},
		{func(x, y, z uint32) uint32 { return x&y + (x^y)&z }, 0x5A827999, [8]int{1, 3, 5, 7, 0, 2, 4, 6}, [4]int{3, 5, 9, 13}},
		{func(x, y, z uint32) uint32 { return x ^ y ^ z }, 0x6ED9EBA1, [8]int{3, 7, 2, 6, 1, 5, 0, 4}, [4]int{3, 9, 11, 15}},
	}
	a, b, c, d := buf[0], buf[1], buf[2], buf[3]
	for i := range rounds {
		r := &rounds[i]
		for k, w := range r.order {
			a = bits.RotateLeft32(a+r.mix(b, c, d)+in[w]+r.add, r.turn[k%4])
			a, b, c, d = d, a, b, c
		}
	}
	buf[0] += a
	buf[1] += b
	buf[2] += c
	buf[3] += d
}

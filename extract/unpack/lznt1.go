package unpack

import (
	"encoding/binary"
	"fmt"
)

// lznt1Chunk is how many bytes of content a chunk of LZNT1 holds.
const lznt1Chunk = 4096

// lznt1Signature is what bits 12 to 14 of a chunk's head hold [MS-XCA 2.5.1.2,
// from memory].
const lznt1Signature = 3

// lznt1 undoes the compression of an NTFS compression unit into dst, which is
// as long as the unit, and returns how many bytes of content there were. What
// is left of dst reads as zeros, and what follows a full dst is slack. The
// format is LZNT1 [MS-XCA 2.5]; stored bytes that end too early or point before
// their chunk are an error.
func lznt1(dst, src []byte) (int, error) {
	out := 0
	for at := 0; out < len(dst) && at+2 <= len(src); {
		head := binary.LittleEndian.Uint16(src[at:])
		if head == 0 { // the end mark
			break
		}
		if head>>12&7 != lznt1Signature {
			return out, fmt.Errorf("chunk at %d begins with %#04x, which no chunk does", at, head)
		}
		next := at + 3 + int(head&0x0fff)
		if next > len(src) {
			return out, fmt.Errorf("chunk at %d is cut short: %d of %d bytes", at, len(src)-at, next-at)
		}
		body := src[at+2 : next]
		if head&0x8000 == 0 { // stored as it is
			if out+len(body) > len(dst) {
				return out, fmt.Errorf("chunk at %d holds more than the unit", at)
			}
			out += copy(dst[out:], body)
		} else {
			n, err := lznt1Body(dst[out:min(out+lznt1Chunk, len(dst))], body)
			if err != nil {
				return out, fmt.Errorf("chunk at %d: %w", at, err)
			}
			out += n
		}
		at = next
		// a chunk that is not the last is whole
		if rest := out % lznt1Chunk; rest != 0 && at+2 <= len(src) && binary.LittleEndian.Uint16(src[at:]) != 0 {
			fill := min(lznt1Chunk-rest, len(dst)-out)
			clear(dst[out : out+fill])
			out += fill
		}
	}
	clear(dst[out:])
	return out, nil
}

// lznt1Body decompresses the body of one chunk: groups of eight elements, each
// a byte or a reference backward, whose split into distance and length depends
// on how far into the chunk it stands.
func lznt1Body(dst, src []byte) (int, error) {
	out := 0
	for i := 0; i < len(src); {
		flags := src[i]
		i++
		for bit := 0; bit < 8 && i < len(src); bit++ {
			if flags>>bit&1 == 0 {
				if out == len(dst) {
					return out, fmt.Errorf("more than %d bytes of content", len(dst))
				}
				dst[out] = src[i]
				out, i = out+1, i+1
				continue
			}
			if i+2 > len(src) {
				return out, fmt.Errorf("a reference is cut short")
			}
			lengthBits := 12
			for p := out - 1; p >= 0x10; p >>= 1 {
				lengthBits--
			}
			token := int(binary.LittleEndian.Uint16(src[i:]))
			i += 2
			distance, n := token>>lengthBits+1, token&(1<<lengthBits-1)+3
			if distance > out {
				return out, fmt.Errorf("a reference points %d bytes back from %d", distance, out)
			}
			if out+n > len(dst) {
				return out, fmt.Errorf("more than %d bytes of content", len(dst))
			}
			for ; n > 0; n-- { // byte by byte: it may repeat what it writes
				dst[out] = dst[out-distance]
				out++
			}
		}
	}
	return out, nil
}

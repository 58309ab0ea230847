package unpack

import (
	"encoding/binary"
	"errors"
)

var (
	errCut   = errors.New("the stored bytes end too early")
	errCodes = errors.New("the table of code lengths makes no code")
	errBack  = errors.New("a reference points before the content")
	errMore  = errors.New("there is more content than the unit holds")
)

const (
	xpressSymbols = 512
	xpressTable   = xpressSymbols / 2 // bytes: two lengths of four bits in each
	xpressLongest = 15                // bits of a code
	xpressBlock   = 64 << 10          // bytes of content after which a new table stands
)

// xpress undoes the LZ77+Huffman form of XPRESS [MS-XCA 2.1, 2.2]: a table of
// code lengths, then codes in little-endian words of 16 bits, most significant
// bit first, with the lengths of long matches as bytes among the words.
func xpress(dst, src []byte) (int, error) {
	out := 0
	for out < len(dst) {
		if len(src) < xpressTable+4 {
			return out, errCut
		}
		table, err := xpressCodes(src[:xpressTable])
		if err != nil {
			return out, err
		}
		src = src[xpressTable:]
		at := 4
		bits := uint32(binary.LittleEndian.Uint16(src))<<16 | uint32(binary.LittleEndian.Uint16(src[2:]))
		spare := 16 // bits past the 16 that a code needs at most
		void := 0   // bits at hand that stand for nothing stored
		skip := func(n int) error {
			bits <<= n
			spare -= n
			if spare < 0 {
				// past the end zeros follow, to be looked at and never used
				if at+2 <= len(src) {
					bits |= uint32(binary.LittleEndian.Uint16(src[at:])) << -spare
				} else {
					void += 16
				}
				at += 2
				spare += 16
			}
			if void > 16+spare {
				return errCut
			}
			return nil
		}
		stop := min(len(dst), out+xpressBlock)
		for out < stop {
			e := table[bits>>(32-xpressLongest)]
			sym, n := int(e>>4), int(e&15)
			if err := skip(n); err != nil {
				return out, err
			}
			if sym < 256 {
				dst[out] = byte(sym)
				out++
				continue
			}
			sym -= 256
			length, width := sym&15, sym>>4
			if length == 15 {
				if at >= len(src) {
					return out, errCut
				}
				length = int(src[at])
				at++
				if length == 255 {
					if at+2 > len(src) {
						return out, errCut
					}
					length = int(binary.LittleEndian.Uint16(src[at:]))
					at += 2
					if length == 0 {
						if at+4 > len(src) {
							return out, errCut
						}
						length = int(binary.LittleEndian.Uint32(src[at:]))
						at += 4
					}
					if length < 15 {
						return out, errCodes
					}
					length -= 15
				}
				length += 15
			}
			length += 3
			distance := 1 << width
			if width > 0 {
				distance |= int(bits >> (32 - width))
				if err := skip(width); err != nil {
					return out, err
				}
			}
			if distance > out {
				return out, errBack
			}
			if length > len(dst)-out {
				return out, errMore
			}
			for range length { // byte by byte: it may repeat what it writes
				dst[out] = dst[out-distance]
				out++
			}
		}
		src = src[min(at, len(src)):]
	}
	return out, nil
}

// xpressCodes makes the table that tells a symbol and its code's length by the
// next 15 bits: symbol<<4 | length. Codes are given by length, then by symbol, and
// leave none of the 15 bits out.
func xpressCodes(b []byte) (*[1 << xpressLongest]uint16, error) {
	var table [1 << xpressLongest]uint16
	next := 0
	for length := 1; length <= xpressLongest; length++ {
		fill := 1 << (xpressLongest - length)
		for sym := range xpressSymbols {
			if int(b[sym/2]>>(sym%2*4)&15) != length {
				continue
			}
			if next+fill > len(table) {
				return nil, errCodes
			}
			for i := range fill {
				table[next+i] = uint16(sym<<4 | length)
			}
			next += fill
		}
	}
	if next != len(table) { // [MS-XCA 2.2.4], from memory: such data is not valid
		return nil, errCodes
	}
	return &table, nil
}

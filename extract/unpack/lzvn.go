package unpack

import "encoding/binary"

// lzvn undoes LZVN, as the published decoder of LZFSE has it: opcodes of 1 to 3
// bytes that copy L literal bytes and then M bytes from D bytes back. It fills
// dst from out on, and may point back to what stands before that. It returns
// where the content ends in dst, and how many bytes of src lead to the end
// mark, all of them where there is none.
func lzvn(dst []byte, out int, src []byte) (end, used int, err error) {
	distance := 0
	for i := 0; ; {
		if i >= len(src) {
			if out < len(dst) {
				return out, i, errCut
			}
			return out, i, nil
		}
		op := src[i]
		literals, match := 0, 0
		size := 1
		need := func(n int) bool { size = n; return i+n <= len(src) }
		switch {
		case op == 0x06: // the end
			return out, i, nil
		case op == 0x0e || op == 0x16: // nothing
			i++
			continue
		case op >= 0xf0:
			match = int(op & 15)
			if match == 0 {
				if !need(2) {
					return out, i, errCut
				}
				match = int(src[i+1]) + 16
			}
		case op >= 0xe0:
			literals = int(op & 15)
			if literals == 0 {
				if !need(2) {
					return out, i, errCut
				}
				literals = int(src[i+1]) + 16
			}
		case op >= 0xa0 && op < 0xc0:
			if !need(3) {
				return out, i, errCut
			}
			w := binary.LittleEndian.Uint16(src[i+1:])
			literals = int(op >> 3 & 3)
			match = (int(op&7)<<2 | int(w&3)) + 3
			distance = int(w >> 2)
		case op >= 0x70 && op < 0x80 || op >= 0xd0, op&7 == 6 && op < 0x40:
			return out, i, errCodes
		default:
			literals = int(op >> 6)
			match = int(op>>3&7) + 3
			switch op & 7 {
			case 6: // the distance before
			case 7:
				if !need(3) {
					return out, i, errCut
				}
				distance = int(binary.LittleEndian.Uint16(src[i+1:]))
			default:
				if !need(2) {
					return out, i, errCut
				}
				distance = int(op&7)<<8 | int(src[i+1])
			}
		}
		i += size
		if literals > len(src)-i {
			return out, i, errCut
		}
		if literals > len(dst)-out {
			return out, i, errMore
		}
		out += copy(dst[out:], src[i:i+literals])
		i += literals
		if match == 0 {
			continue
		}
		if distance == 0 || distance > out {
			return out, i, errBack
		}
		if match > len(dst)-out {
			return out, i, errMore
		}
		for range match { // byte by byte: it may repeat what it writes
			dst[out] = dst[out-distance]
			out++
		}
	}
}

package unpack

import (
	"encoding/binary"
	"math/bits"
)

// LZFSE, as its published reference decoder has it: blocks, each with four
// letters that say how it is stored, to one that says the end. A block with
// compressed tables holds literals and triples of lengths and distances, both
// coded by finite state entropy and read from the end backward.

const (
	lzfseEnd    = "bvx$"
	lzfseRaw    = "bvx-"
	lzfseTables = "bvx2"
	lzfseLZVN   = "bvxn"
)

// lzvnEnd is how many bytes the end mark of LZVN has in a block, which it
// fills to its last byte.
const lzvnEnd = 8

func lzfse(dst, src []byte) (int, error) {
	out := 0
	for {
		if len(src) < 4 {
			return out, errCut
		}
		magic := string(src[:4])
		if magic == lzfseEnd {
			return out, nil
		}
		if len(src) < 12 {
			return out, errCut
		}
		raw := int64(binary.LittleEndian.Uint32(src[4:]))
		if raw > int64(len(dst)-out) {
			return out, errMore
		}
		n := int(raw)
		switch magic {
		case lzfseRaw:
			if n > len(src)-8 {
				return out, errCut
			}
			out += copy(dst[out:], src[8:8+n])
			src = src[8+n:]
		case lzfseLZVN:
			size := int64(binary.LittleEndian.Uint32(src[8:]))
			if size > int64(len(src)-12) {
				return out, errCut
			}
			got, used, err := lzvn(dst[:out+n], out, src[12:12+size])
			if err != nil {
				return out, err
			}
			if got != out+n {
				return out, errShort
			}
			if int64(used)+lzvnEnd != size {
				return out, errCodes
			}
			out += n
			src = src[12+size:]
		case lzfseTables:
			used, err := lzfseBlock(dst[:out+n], out, src)
			if err != nil {
				return out, err
			}
			out += n
			src = src[used:]
		default:
			return out, errCodes
		}
	}
}

const (
	lmdSymbols, distanceSymbols, literalSymbols = 20, 64, 256

	lmdStates, distanceStates, literalStates = 64, 256, 1024

	mostLiterals, mostMatches = 40000, 10000 // of a block
)

// lzfseBlock unpacks a block with compressed tables into dst from out to its
// end, and returns how many bytes of src it takes.
func lzfseBlock(dst []byte, out int, src []byte) (int, error) {
	if len(src) < 32 {
		return 0, errCut
	}
	var fields [3]uint64
	for i := range fields {
		fields[i] = binary.LittleEndian.Uint64(src[8+8*i:])
	}
	get := func(i, shift, n int) int { return int(fields[i] >> shift & (1<<n - 1)) }
	literals, literalBytes, matches := get(0, 0, 20), get(0, 20, 20), get(0, 40, 20)
	literalBits := get(0, 60, 3) - 7
	states := [4]int{get(1, 0, 10), get(1, 10, 10), get(1, 20, 10), get(1, 30, 10)}
	lmdBytes, lmdBits := get(1, 40, 20), get(1, 60, 3)-7
	head := get(2, 0, 32)
	ls, ms, ds := get(2, 32, 10), get(2, 42, 10), get(2, 52, 10)
	if head < 32 || head > len(src) || literalBytes+lmdBytes > len(src)-head {
		return 0, errCut
	}
	// the last literals, three at most, may be there to make groups of four
	if literals > min(mostLiterals, len(dst)-out+3) || matches > mostMatches || literals%4 != 0 || ls >= lmdStates || ms >= lmdStates || ds >= distanceStates {
		return 0, errCodes
	}
	freq, ok := lzfseFrequencies(src[32:head])
	if !ok {
		return 0, errCodes
	}
	lengthCode, ok1 := fseTable(lmdStates, freq[:20], lengthExtra[:])
	matchCode, ok2 := fseTable(lmdStates, freq[20:40], matchExtra[:])
	distanceCode, ok3 := fseTable(distanceStates, freq[40:104], distanceExtra())
	literalCode, ok4 := fseTable(literalStates, freq[104:], nil)
	if !ok1 || !ok2 || !ok3 || !ok4 {
		return 0, errCodes
	}
	in := backward{b: src[head : head+literalBytes], left: literalBytes*8 + literalBits}
	var lit [mostLiterals]byte
	for i := range literals {
		s := &states[i%4]
		lit[i] = byte(in.decode(literalCode, s))
	}
	if in.over {
		return 0, errCut
	}
	in = backward{b: src[head+literalBytes : head+literalBytes+lmdBytes], left: lmdBytes*8 + lmdBits}
	distance, used := 0, 0
	for range matches {
		l := in.decode(lengthCode, &ls)
		m := in.decode(matchCode, &ms)
		if d := in.decode(distanceCode, &ds); d != 0 {
			distance = d
		}
		if in.over || l > literals-used {
			return 0, errCut
		}
		if l+m > len(dst)-out {
			return 0, errMore
		}
		if l+m == 0 { // no encoder has use for it, and it makes work of nothing
			return 0, errCodes
		}
		out += copy(dst[out:], lit[used:used+l])
		used += l
		if m > 0 && (distance == 0 || distance > out) {
			return 0, errBack
		}
		for range m { // byte by byte: it may repeat what it writes
			dst[out] = dst[out-distance]
			out++
		}
	}
	if out < len(dst) {
		return 0, errShort
	}
	if literals-used > 3 {
		return 0, errMore
	}
	return head + literalBytes + lmdBytes, nil
}

// lzfseFrequencies reads the 360 frequencies of a block: those of lengths of
// literals, lengths of matches, distances and literals.
func lzfseFrequencies(b []byte) ([2*lmdSymbols + distanceSymbols + literalSymbols]uint16, bool) {
	var freq [2*lmdSymbols + distanceSymbols + literalSymbols]uint16
	width := [16]uint8{2, 3, 2, 5, 2, 3, 2, 8, 2, 3, 2, 5, 2, 3, 2, 14}
	value := [32]uint16{0, 2, 1, 4, 0, 3, 1, 0, 0, 2, 1, 5, 0, 3, 1, 0, 0, 2, 1, 6, 0, 3, 1, 0, 0, 2, 1, 7, 0, 3, 1, 0}
	if len(b) == 0 {
		return freq, true
	}
	var acc uint32
	have, at := 0, 0
	for i := range freq {
		for at < len(b) && have+8 <= 32 {
			acc |= uint32(b[at]) << have
			have += 8
			at++
		}
		n := int(width[acc&15])
		if n > have {
			return freq, false
		}
		switch n {
		case 8:
			freq[i] = 8 + uint16(acc>>4&15)
		case 14:
			freq[i] = 24 + uint16(acc>>4&0x3ff)
		default:
			freq[i] = value[acc&31]
		}
		acc >>= n
		have -= n
	}
	return freq, have < 8 && at == len(b)
}

var (
	lengthExtra = [lmdSymbols]uint8{16: 2, 17: 3, 18: 5, 19: 8}
	matchExtra  = [lmdSymbols]uint8{16: 3, 17: 5, 18: 8, 19: 11}
)

func distanceExtra() []uint8 {
	extra := make([]uint8, distanceSymbols)
	for i := range extra {
		extra[i] = uint8(i / 4)
	}
	return extra
}

// fseEntry is a state of a decoder: which value it stands for, and how many
// bits lead to the next.
type fseEntry struct {
	base  int   // the value, before its extra bits
	delta int   // of the next state
	total uint8 // bits to take
	extra uint8 // of them, those of the value
}

// fseTable makes a decoder of states from the frequencies of symbols, which
// share out all states or none. extra are the bits that each symbol's value has
// besides; nil where symbols are values.
func fseTable(states int, freq []uint16, extra []uint8) ([]fseEntry, bool) {
	table := make([]fseEntry, 0, states)
	base := 0
	for sym, n := range freq {
		x := uint8(0)
		if extra != nil {
			x = extra[sym]
		}
		f := int(n)
		if f > states-len(table) {
			return nil, false
		}
		if f > 0 {
			k := bits.LeadingZeros32(uint32(f)) - bits.LeadingZeros32(uint32(states))
			j0 := 2*states>>k - f
			for j := range f {
				e := fseEntry{base: base, extra: x}
				if j < j0 {
					e.total, e.delta = uint8(k)+x, (f+j)<<k-states
				} else {
					e.total, e.delta = uint8(k-1)+x, (j-j0)<<(k-1)
				}
				table = append(table, e)
			}
		}
		base += 1 << x
	}
	return table, len(table) == states || len(table) == 0
}

// backward takes bits from the end of b toward its begin.
type backward struct {
	b    []byte
	left int  // bits
	over bool // more was asked for than there was
}

func (r *backward) take(n int) int {
	if n == 0 {
		return 0
	}
	if n > r.left {
		r.over, r.left = true, 0
		return 0
	}
	r.left -= n
	at := r.left / 8
	var w [8]byte
	copy(w[:], r.b[at:])
	return int(binary.LittleEndian.Uint64(w[:]) >> (r.left % 8) & (1<<n - 1))
}

func (r *backward) decode(table []fseEntry, state *int) int {
	if *state < 0 || *state >= len(table) {
		r.over = true
		return 0
	}
	e := table[*state]
	w := r.take(int(e.total))
	*state = e.delta + w>>e.extra
	return e.base + w&(1<<e.extra-1)
}

package unpack

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/klauspost/compress/zlib"
)

func zlibbed(t testing.TB, content string) []byte {
	t.Helper()
	var b bytes.Buffer
	w := zlib.NewWriter(&b)
	if _, err := w.Write([]byte(content)); err != nil || w.Close() != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// lastChunk is the last chunk of a file of testdata, and the content of it.
func lastChunk(t testing.TB, method string, chunk int) (stored, content []byte) {
	t.Helper()
	b, err := os.ReadFile(fmt.Sprintf("testdata/register.%s-%d", method, chunk))
	if err != nil {
		t.Fatal(err)
	}
	want := register()
	head := (len(want) - 1) / chunk * 4
	return b[head+int(binary.LittleEndian.Uint32(b[head-4:])):], want[len(want)/chunk*chunk:]
}

// Stored bytes that are not exactly the unit's content are an error, never
// content that is cut, filled up or changed.
func TestOtherContent(t *testing.T) {
	flipped := zlibbed(t, alphabet)
	flipped[len(flipped)-6] ^= 0x10 // in the last bytes of the content's codes
	stamped := zlibbed(t, alphabet)
	stamped[len(stamped)-1]++
	lzx, tail := lastChunk(t, LZX, 32768)
	for _, c := range []struct {
		name, method string
		size         int
		src          []byte
	}{
		// RFC 1950, 2.2: the check sum is of the content
		{"zlib, another check sum", Zlib, 26, stamped},
		{"zlib, content changed", Zlib, 26, flipped},
		{"zlib, no check sum", Zlib, 26, zlibbed(t, alphabet)[:len(zlibbed(t, alphabet))-4]},
		{"zlib, more content", Zlib, 25, zlibbed(t, alphabet)},
		{"zlib, more content as it is", Zlib, 2, []byte("\xffabc")},
		{"LZVN, more literals", LZVN, 3, unhex(t, "e3 616263 e1 64 06")},
		{"LZVN, one more match", LZVN, 3, unhex(t, "e3 616263 0803 06")},
		{"LZVN, more content as it is", LZVN, 2, []byte("\x06abc")},
		{"LZFSE, more content as it is", LZFSE, 2, []byte("\xffabc")},
		{"marked, more content", Marked, 2, []byte("\xccabc")},
		{"LZX, more content", LZX, len(tail) - 1, lzx},
		// the end's code, with what follows it, may not become content
		{"XPRESS, content ends early", XPRESS, 26 + 3 + 8, xpressAlphabet(t)},
		{"XPRESS, no bits left", XPRESS, 26 + 4, xpressAlphabet(t)[:xpressTable+16]},
		{"XPRESS, a code that is not whole", XPRESS, 26, func() []byte { b := xpressAlphabet(t); b[0x80] = 0; return b }()},
	} {
		if err := Unit(c.method, make([]byte, c.size), c.src); err == nil {
			t.Errorf("%s: is taken", c.name)
		}
	}
	if dst := make([]byte, len(tail)); Unit(LZX, dst, lzx) != nil || !bytes.Equal(dst, tail) {
		t.Error("the last chunk of LZX is refused")
	}
}

// lzfseWriter writes a block with compressed tables, after the published
// encoder of LZFSE, from memory: the tables of the encoder are not those of the
// decoder.
type lzfseWriter struct {
	b    []byte
	bits int
}

func (w *lzfseWriter) push(v, n int) {
	for i := range n {
		if w.bits%8 == 0 {
			w.b = append(w.b, 0)
		}
		w.b[w.bits/8] |= byte(v>>i&1) << (w.bits % 8)
		w.bits++
	}
}

// spare is how many bits of the last byte are used, less 8; 0 where all are.
func (w *lzfseWriter) spare() int { return w.bits - 8*len(w.b) }

type fseSymbol struct{ s0, k, delta0, delta1 int }

func fseEncoder(states int, freq []int) []fseSymbol {
	log := func(n int) (k int) {
		for ; n > 1; n >>= 1 {
			k++
		}
		return k
	}
	out := make([]fseSymbol, len(freq))
	offset := 0
	for i, f := range freq {
		if f == 0 {
			continue
		}
		k := log(states) - log(f)
		out[i] = fseSymbol{f<<k - states, k, offset - f + states>>k, offset - f + states<<1>>k}
		offset += f
	}
	return out
}

func (w *lzfseWriter) encode(e fseSymbol, state *int) {
	n, delta := e.k, e.delta0
	if *state < e.s0 {
		n, delta = e.k-1, e.delta1
	}
	w.push(*state&(1<<n-1), n)
	*state = delta + *state>>n
}

// shares makes frequencies that share out the states.
func shares(states int, count []int) []int {
	sum, most := 0, 0
	for i, n := range count {
		sum += n
		if n > count[most] {
			most = i
		}
	}
	out := make([]int, len(count))
	rest := states
	for i, n := range count {
		if n > 0 {
			out[i] = max(1, n*states/sum/2)
			rest -= out[i]
		}
	}
	out[most] += rest
	return out
}

type lmd struct{ l, m, d int }

// symbolOf is the last of the symbols whose values begin at or below v.
func symbolOf(v int, extra func(i int) int, n int) (sym, rest, bits int) {
	base := 0
	for i := range n {
		if v < base+1<<extra(i) {
			return i, v - base, extra(i)
		}
		base += 1 << extra(i)
	}
	return -1, 0, 0
}

func lzfseBlockOf(raw int, literals []byte, list []lmd) []byte {
	for len(literals)%4 != 0 {
		literals = append(literals, 0)
	}
	lx := func(i int) int { return [20]int{16: 2, 17: 3, 18: 5, 19: 8}[i] }
	mx := func(i int) int { return [20]int{16: 3, 17: 5, 18: 8, 19: 11}[i] }
	dx := func(i int) int { return i / 4 }
	var counts [4][]int
	for i, n := range []int{20, 20, 64, 256} {
		counts[i] = make([]int, n)
	}
	for _, t := range list {
		for i, s := range []func() (int, int, int){func() (int, int, int) { return symbolOf(t.l, lx, 20) }, func() (int, int, int) { return symbolOf(t.m, mx, 20) }, func() (int, int, int) { return symbolOf(t.d, dx, 64) }} {
			sym, _, _ := s()
			counts[i][sym]++
		}
	}
	for _, b := range literals {
		counts[3][b]++
	}
	var freq [4][]int
	var codes [4][]fseSymbol
	for i, states := range []int{64, 64, 256, 1024} {
		freq[i] = shares(states, counts[i])
		codes[i] = fseEncoder(states, freq[i])
	}
	var table lzfseWriter
	for _, list := range freq {
		for _, f := range list {
			switch {
			case f < 8:
				table.push([8]int{0, 2, 1, 5, 3, 11, 19, 27}[f], [8]int{2, 2, 3, 3, 5, 5, 5, 5}[f])
			case f < 24:
				table.push((f-8)<<4|7, 8)
			default:
				table.push((f-24)<<4|15, 14)
			}
		}
	}
	var lit lzfseWriter
	var states [4]int
	for i := len(literals) - 1; i >= 0; i-- {
		lit.encode(codes[3][literals[i]], &states[i%4])
	}
	var trip lzfseWriter
	trip.push(0, 64) // eight bytes that make reading simpler
	var ls, ms, ds int
	for i := len(list) - 1; i >= 0; i-- {
		sym, rest, n := symbolOf(list[i].d, dx, 64)
		trip.push(rest, n)
		trip.encode(codes[2][sym], &ds)
		sym, rest, n = symbolOf(list[i].m, mx, 20)
		trip.push(rest, n)
		trip.encode(codes[1][sym], &ms)
		sym, rest, n = symbolOf(list[i].l, lx, 20)
		trip.push(rest, n)
		trip.encode(codes[0][sym], &ls)
	}
	out := append([]byte(lzfseTables), binary.LittleEndian.AppendUint32(nil, uint32(raw))...)
	for _, v := range []uint64{
		uint64(len(literals)) | uint64(len(lit.b))<<20 | uint64(len(list))<<40 | uint64(lit.spare()+7)<<60,
		uint64(states[0]) | uint64(states[1])<<10 | uint64(states[2])<<20 | uint64(states[3])<<30 | uint64(len(trip.b))<<40 | uint64(trip.spare()+7)<<60,
		uint64(32+len(table.b)) | uint64(ls)<<32 | uint64(ms)<<42 | uint64(ds)<<52,
	} {
		out = binary.LittleEndian.AppendUint64(out, v)
	}
	out = append(out, table.b...)
	out = append(out, lit.b...)
	return append(out, trip.b...)
}

// lzfseOf packs content into blocks of at most so many bytes of it.
func lzfseOf(content []byte, most int) []byte {
	var out []byte
	seen := map[string]int{}
	for at := 0; at < len(content); {
		from, end := at, min(at+most, len(content))
		var literals []byte
		var list []lmd
		run := 0
		for at < end {
			n, back := 0, 0
			if at+4 <= end {
				key := string(content[at : at+4])
				if was, ok := seen[key]; ok {
					for back = at - was; at+n < end && n < 2000 && content[at+n] == content[was+n]; n++ {
					}
				}
				seen[key] = at
			}
			if n < 4 && run < 315 {
				literals = append(literals, content[at])
				run++
				at++
				continue
			}
			if n < 4 {
				n, back = 0, 1
			} else if len(list) > 0 && list[len(list)-1].d == back {
				back = 0 // the distance before
			}
			list = append(list, lmd{run, n, back})
			run = 0
			at += n
		}
		if run > 0 {
			list = append(list, lmd{run, 0, 1})
		}
		out = append(out, lzfseBlockOf(end-from, literals, list)...)
	}
	return append(out, lzfseEnd...)
}

func TestLZFSETables(t *testing.T) {
	want := register()[:65536]
	for _, most := range []int{65536, 20000, 3000} {
		src := lzfseOf(want, most)
		if len(src) > len(want)/2 {
			t.Errorf("packed to %d bytes", len(src))
		}
		got := make([]byte, len(want))
		if err := Unit(LZFSE, got, src); err != nil || !bytes.Equal(got, want) {
			t.Errorf("blocks of %d: %v", most, err)
		}
		for n := 0; n < len(src); n += 97 {
			if err := Unit(LZFSE, got, src[:n]); err == nil {
				t.Errorf("blocks of %d: cut to %d bytes it is taken", most, n)
			}
		}
	}
	end := []byte(lzfseEnd)
	for _, c := range []struct {
		name string
		size int
		src  []byte
	}{
		{"literals that no triple takes", 9, lzfseBlockOf(9, []byte("abcdefgh"), []lmd{{6, 0, 1}})},
		{"the literals that fill a group", 8, lzfseBlockOf(8, []byte("abcdefg"), []lmd{{7, 0, 1}})},
		{"a triple of nothing", 8, lzfseBlockOf(8, []byte("abcdefgh"), []lmd{{4, 0, 1}, {0, 0, 1}, {4, 0, 1}})},
		{"far more literals than content", 4, lzfseBlockOf(4, []byte("abcdefgh"), []lmd{{4, 0, 1}})},
		{"no distance", 8, lzfseBlockOf(8, []byte("abcd"), []lmd{{4, 4, 0}})},
		{"before the begin", 8, lzfseBlockOf(8, []byte("abcd"), []lmd{{4, 4, 5}})},
	} {
		if err := Unit(LZFSE, make([]byte, c.size), append(c.src, end...)); err == nil {
			t.Errorf("%s: is taken", c.name)
		}
	}
	if _, ok := fseTable(64, []uint16{40, 4}, nil); ok {
		t.Error("frequencies that leave states out are taken")
	}
}

// An LZVN block may point back into the blocks before it, and ends with its
// mark and nothing else (the published decoder, from memory).
func TestLZFSEBlocksOfLZVN(t *testing.T) {
	block := func(n byte, src string) []byte {
		b := append([]byte(lzfseLZVN), n, 0, 0, 0)
		s := unhex(t, src)
		return append(binary.LittleEndian.AppendUint32(b, uint32(len(s))), s...)
	}
	first := append([]byte("bvx-\x04\x00\x00\x00"), "abcd"...)
	end := strings.Repeat("00", 7)
	dst := make([]byte, 7)
	src := append(append(bytes.Clone(first), block(3, "0004 06"+end)...), lzfseEnd...)
	if err := Unit(LZFSE, dst, src); err != nil || string(dst) != "abcdabc" {
		t.Errorf("%q, %v", dst, err)
	}
	for name, s := range map[string]string{"no end mark": "e3 616263", "more content": "e3 616263 e1 64 06" + end, "bytes behind its mark": "e3 616263 06 00" + end, "a mark cut short": "e3 616263 06"} {
		src := append(append(bytes.Clone(first), block(3, s)...), lzfseEnd...)
		if err := Unit(LZFSE, dst, src); err == nil {
			t.Errorf("%s: is taken", name)
		}
	}
}

package unpack

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"os"
	"strings"
	"testing"

	"github.com/klauspost/compress/zlib"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

const alphabet = "abcdefghijklmnopqrstuvwxyz"

// xpressAlphabet is the example of [MS-XCA 3.2, LZ77+Huffman], from memory:
// codes of 5 bits for a to v, of 4 for w to z and the end; all the table's
// other lengths are 0.
func xpressAlphabet(t testing.TB) []byte {
	table := make([]byte, xpressTable)
	table[0x30] = 0x50
	for i := 0x31; i <= 0x3a; i++ {
		table[i] = 0x55
	}
	copy(table[0x3b:], []byte{0x45, 0x44, 0x04})
	table[0x80] = 0x04
	return append(table, unhex(t, "d8523ed794115be9195ff9d67cdf8d0400000000")...)
}

func TestXPRESS(t *testing.T) {
	dst := make([]byte, len(alphabet))
	if err := Unit(XPRESS, dst, xpressAlphabet(t)); err != nil || string(dst) != alphabet {
		t.Errorf("%q, %v", dst, err)
	}
	if err := Unit(XPRESS, dst, []byte(alphabet)); err != nil || string(dst) != alphabet {
		t.Errorf("kept as it is: %q, %v", dst, err)
	}
	for n := range 256 + 20 {
		if err := Unit(XPRESS, make([]byte, 400), xpressAlphabet(t)[:n]); err == nil {
			t.Errorf("cut to %d bytes it is taken", n)
		}
	}
}

func TestZlib(t *testing.T) {
	want := bytes.Repeat([]byte(alphabet), 100)
	var b bytes.Buffer
	w := zlib.NewWriter(&b)
	if _, err := w.Write(want); err != nil || w.Close() != nil {
		t.Fatal(err)
	}
	got := make([]byte, len(want))
	if err := Unit(Zlib, got, b.Bytes()); err != nil || !bytes.Equal(got, want) {
		t.Errorf("%v", err)
	}
	if err := Unit(Zlib, got[:26], append([]byte{0xff}, alphabet...)); err != nil || string(got[:26]) != alphabet {
		t.Errorf("kept as it is: %v", err)
	}
	if err := Unit(Zlib, make([]byte, len(want)+1), b.Bytes()); err == nil {
		t.Error("content that ends too early is taken")
	}
}

// No published examples of LZVN are known: these follow the opcodes of its
// published decoder by hand.
func TestLZVN(t *testing.T) {
	for _, c := range []struct{ name, src, want string }{
		{"small literal", "e3 616263 06", "abc"},
		{"large literal", "e001" + strings.Repeat("61", 17) + "06", strings.Repeat("a", 17)},
		{"small distance", "e3 616263 0803 06", "abcabca"},
		{"literals before", "c803 616263 06", "abcabca"},
		{"large distance", "e3 616263 0f0300 06", "abcabca"},
		{"medium distance", "b80c00 616263 06", "abcabc"},
		{"distance before", "e3 616263 0803 46 64 06", "abcabcadcad"},
		{"small match", "e3 616263 0803 f2 06", "abcabca" + "bc"},
		{"large match", "e1 61 0001 f000 06", "aaaa" + strings.Repeat("a", 16)},
		{"nothing", "0e 16 e1 61 06", "a"},
		{"kept as it is", "06 616263", "abc"},
	} {
		dst := make([]byte, len(c.want))
		if err := Unit(LZVN, dst, unhex(t, c.src)); err != nil || string(dst) != c.want {
			t.Errorf("%s: %q, %v; want %q", c.name, dst, err, c.want)
		}
	}
	for name, src := range map[string]string{"undefined": "70", "before the begin": "e1 61 0802", "cut": "e3 61", "no distance": "e161 f1", "ends early": "e161 06"} {
		if err := Unit(LZVN, make([]byte, 64), unhex(t, src)); err == nil {
			t.Errorf("%s: is taken", name)
		}
	}
}

func TestLZFSE(t *testing.T) {
	raw := append([]byte("bvx-\x1a\x00\x00\x00"+alphabet), "bvx$"...)
	dst := make([]byte, 26)
	if err := Unit(LZFSE, dst, raw); err != nil || string(dst) != alphabet {
		t.Errorf("raw block: %q, %v", dst, err)
	}
	small := unhex(t, "e3 616263 0803 06 00000000000000")
	b := []byte("bvxn\x07\x00\x00\x00")
	b = binary.LittleEndian.AppendUint32(b, uint32(len(small)))
	b = append(append(b, small...), "bvx$"...)
	if err := Unit(LZFSE, dst[:7], b); err != nil || string(dst[:7]) != "abcabca" {
		t.Errorf("LZVN block: %q, %v", dst[:7], err)
	}
	for n := range len(b) - 1 {
		if err := Unit(LZFSE, make([]byte, 7), b[:n]); err == nil {
			t.Errorf("cut to %d bytes it is taken", n)
		}
	}
	if _, ok := lzfseFrequencies(nil); !ok {
		t.Error("no frequencies at all are none")
	}
	if _, ok := fseTable(64, []uint16{40, 40}, nil); ok {
		t.Error("more frequencies than states are taken")
	}
	table, ok := fseTable(64, []uint16{32, 16, 16}, nil)
	if !ok || len(table) != 64 {
		t.Fatalf("%d states", len(table))
	}
	for i, e := range table { // every state leads to states only
		for w := range 1 << e.total {
			if next := e.delta + w; next < 0 || next >= 64 {
				t.Errorf("state %d leads to %d", i, next)
			}
		}
	}
}

func TestMethod(t *testing.T) {
	if err := Unit("none", make([]byte, 1), []byte{1}); !errors.Is(err, ErrMethod) {
		t.Errorf("%v", err)
	}
	dst := make([]byte, 3)
	if err := Unit(Marked, dst, []byte("\xccabc")); err != nil || string(dst) != "abc" {
		t.Errorf("%q, %v", dst, err)
	}
	if err := Unit(Marked, dst, nil); err == nil {
		t.Error("nothing is taken for content")
	}
}

func FuzzUnit(f *testing.F) {
	f.Add(uint8(0), xpressAlphabet(f))
	f.Add(uint8(1), []byte("abc"))
	if b, err := os.ReadFile("testdata/register.lzx-32768"); err == nil {
		f.Add(uint8(1), b[12:3000]) // behind the table of chunks
	}
	f.Add(uint8(4), unhex(f, "e3616263080306"))
	f.Add(uint8(5), append([]byte("bvx2"), make([]byte, 64)...))
	f.Add(uint8(5), []byte("bvx-\x03\x00\x00\x00abcbvx$"))
	methods := []string{XPRESS, LZX, LZNT1, Zlib, LZVN, LZFSE, Marked}
	f.Fuzz(func(t *testing.T, m uint8, src []byte) {
		dst, again := make([]byte, 4096), bytes.Repeat([]byte{0xaa}, 4096)
		method := methods[int(m)%len(methods)]
		err := Unit(method, dst, src)
		if err2 := Unit(method, again, src); (err == nil) != (err2 == nil) || err == nil && !bytes.Equal(dst, again) {
			t.Fatalf("%s: the content depends on what stood in its place before", method)
		}
	})
}

package unpack

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"testing"
)

// register is the content of the files in testdata, which wimlib 1.13 packed
// in chunks: the same form, and the same table of chunks before them, as that
// of files which Windows compresses.
func register() []byte {
	var b bytes.Buffer
	for i := 0; b.Len() < 100000; i++ {
		fmt.Fprintf(&b, "entry %d of the register, shelf %d\n", i, i*7919%601)
	}
	return b.Bytes()[:100000]
}

func TestChunks(t *testing.T) {
	want := register()
	for _, c := range []struct {
		method string
		chunk  int
	}{{XPRESS, 4096}, {XPRESS, 8192}, {XPRESS, 16384}, {LZX, 32768}} {
		b, err := os.ReadFile(fmt.Sprintf("testdata/register.%s-%d", c.method, c.chunk))
		if err != nil {
			t.Fatal(err)
		}
		chunks := (len(want) + c.chunk - 1) / c.chunk
		head := 4 * (chunks - 1)
		at := head
		for i := range chunks {
			end := len(b)
			if i+1 < chunks {
				end = head + int(binary.LittleEndian.Uint32(b[4*i:]))
			}
			part := want[i*c.chunk : min((i+1)*c.chunk, len(want))]
			got := make([]byte, len(part))
			if err := Unit(c.method, got, b[at:end]); err != nil {
				t.Errorf("%s in chunks of %d, chunk %d: %v", c.method, c.chunk, i, err)
			} else if !bytes.Equal(got, part) {
				t.Errorf("%s in chunks of %d: chunk %d has other content", c.method, c.chunk, i)
			}
			at = end
		}
	}
}

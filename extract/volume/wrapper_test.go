package volume

import (
	"encoding/binary"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// putWrapper writes the master blocks of an HFS volume that embeds another.
func putWrapper(disk []byte, start, length int64, m masterBlock) {
	for _, at := range []int64{start + masterBlockAt, start + length - masterBlockAt} {
		b := disk[at:]
		copy(b, hfsSignature)
		binary.BigEndian.PutUint32(b[20:], m.BlockSize)
		binary.BigEndian.PutUint16(b[28:], m.FirstBlock)
		copy(b[124:], embedSignature)
		binary.BigEndian.PutUint16(b[126:], m.EmbedStart)
		binary.BigEndian.PutUint16(b[128:], m.EmbedCount)
	}
}

// Apple Technical Note TN1150, "HFS Wrapper": the embedded volume begins
// drAlBlSt 512-byte blocks plus startBlock allocation blocks into the wrapper.
func TestWrapper(t *testing.T) {
	m := masterBlock{BlockSize: 4096, FirstBlock: 24, EmbedStart: 10, EmbedCount: 200}
	at := int64(24*512 + 10*4096)
	t.Run("in a partition", func(t *testing.T) {
		for _, holes := range [][]unread{nil, {{mib + 1024, 512}}} {
			disk := make([]byte, 4*mib)
			putMBR(disk, 0, bootEntry{Type: 0xAF, Start: 2048, Sectors: 4096})
			putWrapper(disk, mib, 2*mib, m)
			putToy(disk, mib+at, 200*4096)
			l := mustFind(t, reader(t, disk, sec, holes...))
			want := []brief{{mib + at, 200 * 4096, "toy", "MBR partition 1"}}
			if d := cmp.Diff(want, briefs(l)); d != "" || !hasNote(l, "MBR partition 1 wraps a toy volume") {
				t.Errorf("unread %v: notes %q, volumes (-want +got):\n%s", holes, l.Notes, d)
			}
		}
	})
	t.Run("bare", func(t *testing.T) {
		disk := make([]byte, 4*mib)
		putWrapper(disk, 0, 4*mib, m)
		putToy(disk, at, 200*4096)
		l := mustFind(t, reader(t, disk, sec))
		if d := cmp.Diff([]brief{{at, 200 * 4096, "toy", "bare volume"}}, briefs(l)); d != "" {
			t.Errorf("notes %q, volumes (-want +got):\n%s", l.Notes, d)
		}
	})
	t.Run("embedded volume outside the wrapper", func(t *testing.T) {
		disk := make([]byte, 4*mib)
		hostile := m
		hostile.EmbedCount = 0xFFFF
		putWrapper(disk, 0, 4*mib, hostile)
		if in, ok := wrapped(reader(t, disk, sec), 0, 4*mib); ok {
			t.Errorf("taken for %v", in)
		}
	})
}

func FuzzMasterBlock(f *testing.F) {
	disk := make([]byte, 4096)
	putWrapper(disk, 0, 4096, masterBlock{BlockSize: 512, FirstBlock: 4, EmbedStart: 1, EmbedCount: 2})
	f.Add(disk[1024:1536])
	f.Fuzz(func(t *testing.T, b []byte) {
		if m, ok := parseMasterBlock(b); ok {
			if in := m.embedded(0); in.Start < 0 || in.End <= in.Start {
				t.Fatalf("embedded at %v", in)
			}
		}
	})
}

package hfsplus

import (
	"cmp"
	"context"
	"encoding/binary"
	"slices"

	"fileassay/extract"
	"fileassay/extract/partial"
)

// Offsets in a key of the extents overflow file, which has 10 bytes behind its
// length (TN1150, Extents Overflow File Key).
const (
	extKeyLength = 10
	extFork      = 2
	extFile      = 4
	extStart     = 8
	extKeySize   = 12
	extRecord    = extKeySize + 8*extentsInRecord
)

// The forks of a file in keys (TN1150, Extents Overflow File Key).
const (
	dataFork = 0x00
	rsrcFork = 0xFF
)

// overflowRecord is eight further extents of a fork (TN1150, Extents Overflow
// File Data).
type overflowRecord struct {
	file     uint32
	fork     uint8
	doubtful bool   // it may be out of use
	start    uint32 // allocation block of the fork that the first extent begins with
	runs     [extentsInRecord]blockRun
}

// parseOverflow decodes a leaf record of the extents overflow file.
func parseOverflow(b []byte) (r overflowRecord, ok bool) {
	if len(b) < extRecord || binary.BigEndian.Uint16(b) != extKeyLength {
		return r, false
	}
	r = overflowRecord{file: binary.BigEndian.Uint32(b[extFile:]), fork: b[extFork], start: binary.BigEndian.Uint32(b[extStart:]),
		runs: parseRuns(b[extKeySize:])}
	return r, (r.fork == dataFork || r.fork == rsrcFork) && r.runs[0].count > 0
}

// overflowSize tells how many bytes a leaf record of the extents overflow file
// has.
func overflowSize(b partial.Bytes, at int) (int, bool) {
	key, ok := b.Uint16(binary.BigEndian, at)
	return extRecord, ok && key == extKeyLength
}

// overflow is what was read of the extents overflow file.
type overflow struct {
	list []overflowRecord // by file, fork and start
	some bool             // records may be missing
}

// loadOverflow reads the extents overflow file.
func loadOverflow(ctx context.Context, t *tree, o extract.Options) (*overflow, error) {
	x := &overflow{}
	err := each(ctx, t, o, func(n *node, doubtful bool, out *overflow) {
		out.some = out.some || n.gone > 0
		for _, r := range n.recs {
			b, ok := n.Get(r.start, r.end-r.start)
			if !ok {
				out.some = true
				continue
			}
			if rec, ok := parseOverflow(b); ok {
				rec.doubtful = doubtful || n.uncertain
				out.list = append(out.list, rec)
			}
		}
	}, func(out overflow) error {
		x.list = append(x.list, out.list...)
		x.some = x.some || out.some
		return nil
	})
	x.some = x.some || t.short()
	slices.SortStableFunc(x.list, func(a, b overflowRecord) int {
		return cmp.Or(cmp.Compare(a.file, b.file), cmp.Compare(a.fork, b.fork), cmp.Compare(a.start, b.start),
			cmp.Compare(flag(a.doubtful), flag(b.doubtful)))
	})
	// a doubtful copy of a record that stands elsewhere says nothing
	x.list = slices.CompactFunc(x.list, func(a, b overflowRecord) bool {
		return a.file == b.file && a.fork == b.fork && a.start == b.start
	})
	return x, err
}

func flag(b bool) int {
	if b {
		return 1
	}
	return 0
}

// of are the records of a fork, by start.
func (x *overflow) of(file uint32, fork uint8) []overflowRecord {
	order := func(r overflowRecord, fork int) int {
		return cmp.Or(cmp.Compare(r.file, file), cmp.Compare(int(r.fork), fork))
	}
	i, _ := slices.BinarySearchFunc(x.list, int(fork), order)
	j, _ := slices.BinarySearchFunc(x.list[i:], int(fork)+1, order)
	return x.list[i : i+j]
}

package hfsplus

import (
	"encoding/binary"
	"encoding/hex"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"fileassay/extract"
)

// workedHeader is the head of a volume header in a published hexdump
// (check-values 4.8: dubeyko.com, HFS+ hexdump), with the numbers given for it
// put where TN1150, Volume Header, has them.
func workedHeader() []byte {
	b := make([]byte, headerSize)
	head, _ := hex.DecodeString("482b0004000021004846534a")
	copy(b, head)
	put := func(at int, v uint32) { binary.BigEndian.PutUint32(b[at:], v) }
	put(16, 0xCC000000) // 2012-06-14 20:54:24
	put(108, 0x1234ABCD)
	put(32, 11)
	put(36, 4)
	put(40, 4096)
	put(44, 0x28F6)
	put(48, 0x1FFD)
	put(64, 33)
	put(192+4, 0x51000)
	put(192+12, 0x51)
	put(192+16, 0x803)
	put(192+20, 0x51)
	put(272+4, 0x51000)
	put(272+12, 0x51)
	put(272+16, 0x854)
	put(272+20, 0x51)
	return b
}

func TestHeaderWorked(t *testing.T) {
	got, err := parseHeader(workedHeader())
	if err != nil {
		t.Fatal(err)
	}
	fork := func(start uint32) forkData {
		return forkData{size: 0x51000, blocks: 0x51, runs: [extentsInRecord]blockRun{{start, 0x51}}}
	}
	want := volumeHeader{attributes: attrUnmounted | attrJournaled, lastMounted: mountedByJournal, fileCount: 11, folderCount: 4,
		created: 0xCC000000, identifier: 0x1234ABCD, blockSize: 4096, totalBlocks: 0x28F6, freeBlocks: 0x1FFD, nextID: 33, extents: fork(0x803), catalog: fork(0x854)}
	if d := cmp.Diff(want, got, cmp.AllowUnexported(volumeHeader{}, forkData{}, blockRun{})); d != "" {
		t.Error(d)
	}
}

func TestHeaderRefused(t *testing.T) {
	for name, change := range map[string]func(b []byte){
		"signature":       func(b []byte) { b[0] = 0 },
		"plain HFS":       func(b []byte) { b[0], b[1] = 0x42, 0x44 },
		"version":         func(b []byte) { b[3] = 3 },
		"block size 0":    func(b []byte) { clear(b[40:44]) },
		"block size 4097": func(b []byte) { b[43] = 1 },
		"block size 256":  func(b []byte) { b[42], b[43] = 1, 0 },
		"no blocks":       func(b []byte) { clear(b[44:48]) },
		"more free":       func(b []byte) { b[48] = 1 },
		"no catalog":      func(b []byte) { clear(b[272:352]) },
	} {
		b := workedHeader()
		change(b)
		if _, err := parseHeader(b); err == nil {
			t.Errorf("%s: taken", name)
		}
	}
	if _, err := parseHeader(workedHeader()[:511]); err == nil {
		t.Error("511 bytes taken")
	}
}

// TN1150, Volume Header: HFSX has the signature "HX" and version 5.
func TestHeaderX(t *testing.T) {
	b := workedHeader()
	b[1], b[3] = 0x58, 5
	h, err := parseHeader(b)
	if err != nil || !h.hfsx || h.name() != "hfsx" {
		t.Errorf("%v, %v", h.hfsx, err)
	}
}

func TestSniff(t *testing.T) {
	size := int64(0x28F6) * 4096
	last := size + 4096 - 1024
	const id, made = "cc000000", 0xCC000000 - 2082844800
	two := []extract.Candidate{{Start: last - 1024, Length: size, Filesystem: "hfsplus", From: "volume header", At: last, ID: id, Written: made}}
	for slack := int64(0); slack < 4096; slack += 512 {
		two = append(two, extract.Candidate{Start: 4096 - slack, Length: size + slack, Filesystem: "hfsplus", From: "alternate volume header", At: last, ID: id, Written: made})
	}
	for _, c := range []struct {
		at   int64
		want []extract.Candidate
	}{
		{1 << 20, []extract.Candidate{{Start: 1<<20 - 1024, Length: size, Filesystem: "hfsplus", From: "volume header", At: 1 << 20, ID: id, Written: made}}},
		{512, nil},
		{last, two},
	} {
		if d := cmp.Diff(c.want, Sniff(workedHeader(), c.at)); d != "" {
			t.Errorf("at %d: %s", c.at, d)
		}
	}
	if got := Sniff(make([]byte, 4096), 1024); got != nil {
		t.Error(got)
	}
}

// TN1150, HFS Plus Dates: seconds since 1904-01-01, the last of which is
// 2040-02-06 06:28:15.
func TestDate(t *testing.T) {
	for v, want := range map[uint32]time.Time{
		0:          {},
		1:          time.Date(1904, 1, 1, 0, 0, 1, 0, time.UTC),
		2082844800: time.Unix(0, 0).UTC(),
		0xFFFFFFFF: time.Date(2040, 2, 6, 6, 28, 15, 0, time.UTC),
	} {
		if got := date(v); !got.Equal(want) {
			t.Errorf("%d is %v, not %v", v, got, want)
		}
	}
}

// TN1150 gives the sizes of the structures: 512 bytes of header, 80 of a fork,
// 88 of a folder, 248 of a file, 106 of a tree's header record.
func TestSizes(t *testing.T) {
	for name, got := range map[string][2]int{
		"volume header": {hdrStartup + forkSize, headerSize},
		"file":          {fileRsrcFork + forkSize, fileSize},
		"header record": {bthEnd - descriptorSize, 106},
		"extents key":   {extKeySize - 2, extKeyLength},
		"catalog key":   {catKeyMost, 516},
		"map record":    {bthMap, 248},
	} {
		if got[0] != got[1] {
			t.Errorf("%s: %d, not %d", name, got[0], got[1])
		}
	}
}

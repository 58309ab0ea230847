package mdraid

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"fileassay/extract/image"
	"fileassay/extract/imap"
)

const (
	mib  = 1 << 20
	size = 16*mib + 12345*512
)

// superV1 makes metadata of version 1 for a drive of the given size, as md_p.h
// lays it out.
func superV1(at int64, level int32, drives, dataOffset, dataSize uint64, features uint32, role uint16) []byte {
	le := binary.LittleEndian
	b := make([]byte, superV1Size+2*128)
	le.PutUint32(b[0:], magic)
	le.PutUint32(b[4:], 1)
	le.PutUint32(b[8:], features)
	copy(b[16:], "sixteen bytes id")
	copy(b[32:], "office:0")
	le.PutUint32(b[72:], uint32(level))
	le.PutUint64(b[80:], dataSize)
	le.PutUint32(b[92:], uint32(drives))
	le.PutUint64(b[128:], dataOffset)
	le.PutUint64(b[136:], dataSize)
	le.PutUint64(b[144:], uint64(at/512))
	copy(b[168:], "sixteen bytes dv")
	le.PutUint64(b[200:], 17) // events
	le.PutUint32(b[220:], 128)
	for i := range 128 {
		le.PutUint16(b[superV1Size+2*i:], roleSpare)
	}
	le.PutUint16(b[superV1Size:], role)
	le.PutUint32(b[216:], checksumV1(b))
	return b
}

// superV0 makes metadata of version 0.90.
func superV0(order binary.ByteOrder, level int32, drives, kib, state uint32) []byte {
	b := make([]byte, superV0Size)
	put := func(i int, v uint32) { order.PutUint32(b[4*i:], v) }
	put(0, magic)
	put(2, 90)
	put(5, 0x11223344)
	put(7, uint32(level))
	put(8, kib)
	put(9, drives)
	put(10, drives)
	put(33, 1)
	put(34, drives)
	put(35, drives)
	put(992, 0)
	put(996, state)
	var sum uint64
	for i := range superV0Size / 4 {
		sum += uint64(order.Uint32(b[4*i:]))
	}
	put(38, uint32(sum)+uint32(sum>>32))
	return b
}

func reader(t testing.TB, img []byte, unread ...imap.Range) *image.Reader {
	t.Helper()
	return image.New(bytes.NewReader(img), int64(len(img)), imap.All(int64(len(img))).With(unread), image.Options{})
}

// cases are drives of size bytes. Where the metadata stands is what md tells:
// 4 KiB from the start, at the start, 8 KiB from the end rounded down to 4 KiB,
// and the last whole 64 KiB.
var cases = []struct {
	name    string
	version string
	at      int64
	super   []byte
	start   int64 // of the data, on the drive
	length  int64
	reason  string
}{
	{"mirror 1.2", "1.2", 4096, superV1(4096, 1, 2, 2048, 8*2048, 0, 0), mib, 8 * mib, ""},
	{"mirror 1.1", "1.1", 0, superV1(0, 1, 2, 2048, 8*2048, 0, 1), mib, 8 * mib, ""},
	{"mirror 1.0", "1.0", (size - 8192) &^ 4095, superV1((size-8192)&^4095, 1, 2, 0, 9*2048, 0, 0), 0, 9 * mib, ""},
	{"mirror 0.90", "0.90", size&^65535 - 65536, superV0(binary.LittleEndian, 1, 2, 9*1024, 6), 0, 9 * mib, ""},
	{"mirror 0.90, big-endian", "0.90", size&^65535 - 65536, superV0(binary.BigEndian, 1, 2, 9*1024, 6), 0, 9 * mib, ""},
	{"stripes", "1.2", 4096, superV1(4096, 0, 2, 2048, 8*2048, 0, 0), mib, 8 * mib, "RAID 0 of 2 drives"},
	{"parity", "1.2", 4096, superV1(4096, 5, 3, 2048, 8*2048, 0, 0), mib, 8 * mib, "RAID 5 of 3 drives"},
	{"near copies on two drives", "1.2", 4096, withLayout(superV1(4096, 10, 2, 2048, 8*2048, 0, 0), 0x102), mib, 8 * mib, ""},
	{"near copies on four drives", "1.2", 4096, withLayout(superV1(4096, 10, 4, 2048, 8*2048, 0, 0), 0x102), mib, 8 * mib, "RAID 10 of 4 drives"},
	{"far copies", "1.2", 4096, withLayout(superV1(4096, 10, 2, 2048, 8*2048, 0, 0), 0x201), mib, 8 * mib, "RAID 10 of 2 drives"},
	{"a spare", "1.2", 4096, superV1(4096, 1, 2, 2048, 8*2048, 0, roleSpare), mib, 8 * mib, "spare"},
	{"being filled", "1.2", 4096, superV1(4096, 1, 2, 2048, 8*2048, featureRecovery, 1), mib, 8 * mib, "being filled"},
	{"out of step", "0.90", size&^65535 - 65536, superV0(binary.LittleEndian, 1, 2, 9*1024, 0), 0, 9 * mib, "not in step"},
}

// withLayout sets the layout of metadata of version 1.
func withLayout(b []byte, layout uint32) []byte {
	binary.LittleEndian.PutUint32(b[76:], layout)
	binary.LittleEndian.PutUint32(b[216:], checksumV1(b))
	return b
}

func TestFind(t *testing.T) {
	const shift = 5 * mib
	for _, c := range cases {
		img := make([]byte, shift+size)
		copy(img[shift+c.at:], c.super)
		a, ok, _ := Find(reader(t, img), shift, size)
		if !ok || a.Version != c.version || a.At != shift+c.at || a.Start != shift+c.start || a.Length != c.length ||
			!strings.Contains(a.Reason, c.reason) || (a.Reason == "") != (c.reason == "") {
			t.Errorf("%s: %v %+v", c.name, ok, a)
		}
		if a, ok, open := Find(reader(t, img, imap.Range{Start: shift + c.at, Length: 512, State: imap.Failed}), shift, size); ok || len(open) != 1 || open[0].Version != c.version {
			t.Errorf("%s: found in a sector that was not read: %+v, open %v", c.name, a, open)
		}
		img[shift+c.at+100] ^= 1
		if a, ok, open := Find(reader(t, img), shift, size); ok || len(open) != 1 { // garbage is as good as unread
			t.Errorf("%s: found with a byte changed: %+v, open %v", c.name, a, open)
		}
	}
}

// TestExamine holds the metadata made here against what mdadm tells of it, so
// that the tests above rest on another reader of the format.
func TestExamine(t *testing.T) {
	if os.Getenv("FILEASSAY_TOOLS") != "1" {
		return
	}
	for _, c := range cases {
		if c.name == "mirror 0.90, big-endian" {
			continue // mdadm here reads the machine's own order
		}
		img := make([]byte, size)
		copy(img[c.at:], c.super)
		path := filepath.Join(t.TempDir(), "drive")
		if err := os.WriteFile(path, img, 0o644); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command("mdadm", "--examine", path).CombinedOutput()
		if err != nil {
			t.Fatalf("%s: mdadm: %v: %s", c.name, err, out)
		}
		text := string(out)
		version := c.version
		if version == "0.90" {
			version = "0.90.00"
		}
		for _, want := range []string{"Version : " + version, "- correct"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s: mdadm does not say %q:\n%s", c.name, want, text)
			}
		}
		if c.version != "0.90" && c.start > 0 && !strings.Contains(text, fmt.Sprintf("Data Offset : %d sectors", c.start/512)) {
			t.Errorf("%s: data offset:\n%s", c.name, text)
		}
	}
}

func FuzzSuper(f *testing.F) {
	for _, c := range cases {
		f.Add(c.super)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, version := range []string{"1.0", "1.1", "1.2"} {
			if a, ok, _ := parseV1(b, version, 4096, 0, size); ok && (a.Start < 0 || a.Length < 0 || a.Start+a.Length > size) {
				t.Fatalf("%+v", a)
			}
		}
		if a, ok, _ := parseV0(b, 8*mib, mib, size); ok && (a.Start != mib || a.Length > 7*mib) {
			t.Fatalf("%+v", a)
		}
	})
}

// FuzzBadLog reads lists of sectors that an array gave up.
func FuzzBadLog(f *testing.F) {
	le := binary.LittleEndian
	one := make([]byte, 512)
	for i := range 64 {
		le.PutUint64(one[8*i:], 1<<64-1)
	}
	le.PutUint64(one, 4096<<10|8)
	f.Add(one, uint8(0))
	le.PutUint64(one[8:], 1<<63|1023)
	f.Add(one, uint8(9))
	f.Fuzz(func(t *testing.T, b []byte, shift uint8) {
		const at, start, length = 512, 512, 8 * mib
		b = b[:min(len(b), maxLog*512)]
		img := append(make([]byte, at), b...)
		a := Array{Start: mib, Length: 4 * mib, log: &badLog{at: at, sectors: int64(len(b)) / 512, shift: shift}}
		a.badBlocks(reader(t, img), start, length)
		end := a.Start
		for _, bad := range a.Bad {
			if bad.Start < end || bad.Len() <= 0 || bad.End > a.Start+a.Length {
				t.Fatalf("%v in %+v", bad, a)
			}
			end = bad.End
		}
	})
}
